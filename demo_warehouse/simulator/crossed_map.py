"""A yield map of one harvest driven across the strips, and the outlines of that field's strips.

The combine goes to and fro at right angles to the strips, so that each crossing cuts treated and check
minutes apart. What the work gave differs along the strips (``knoll``). The combine's monitor was not
calibrated that fall, and it tells the grain's weight some seconds after the header cut it, as they all do.
"""

import json
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d
from scipy.signal import lfilter

from demo_warehouse.simulator import knoll
from demo_warehouse.simulator.book import HEADER_M, LENGTH_M, true_yields
from demo_warehouse.simulator.crops import CROPS
from demo_warehouse.simulator.farm import Farm
from demo_warehouse.simulator.known import SIDES
from demo_warehouse.simulator.places import CORNER_DEG, METER_DEG, STRIP_M, longitude
from demo_warehouse.simulator.plan import MAPPED

Array = NDArray[np.float64]
BESIDE_M = 40.0  # of the field's own crop cut before and after the strips
EVERY_S = 2.0
SPEED_M_S = 1.9
LAG_S = 8.0  # from the cut to the sensor
READS_HIGH = 1.04
NOISE_CV = 0.06  # of one point
LAND_CV = 0.06  # along the strips, alike for the two
BUSHEL_KG = 27.2155


def outlines() -> str:
    """The two strips as GeoJSON (RFC 7946), treated to the west of check."""
    features = [
        {
            "type": "Feature",
            "properties": {"field": MAPPED[0], "strip": side},
            "geometry": {"type": "Polygon", "coordinates": [_box(i * STRIP_M, (i + 1) * STRIP_M)]},
        }
        for i, side in enumerate(SIDES)
    ]
    return json.dumps({"type": "FeatureCollection", "features": features}, indent=1) + "\n"


def points(rng: np.random.Generator, farm: Farm) -> str:
    """The CSV that the monitor exported: a row every two seconds, in bushels, feet and miles."""
    field, year = MAPPED
    season = next(s for s in farm.plan.seasons[field] if s.harvested.year == year)
    crop = CROPS[season.crop]
    truth = true_yields(farm).filter(field=field, season=year)
    by_side = dict(truth.select("strip", "yield_kg_ha").iter_rows())
    start = datetime(year, season.harvested.month, season.harvested.day, 17, tzinfo=UTC)
    land = gaussian_filter1d(rng.normal(size=int(LENGTH_M)), 60)
    land = 1 + LAND_CV * (land - land.mean()) / land.std()
    norths = (np.arange(int(LENGTH_M // HEADER_M)) + 0.5) * HEADER_M
    gains = (by_side["treated"] - by_side["check"]) * knoll.of_response(norths)
    crossings = []
    for i, (north, gain) in enumerate(zip(norths, gains, strict=True)):
        here = by_side | {"treated": by_side["check"] + float(gain)}
        crossing = _crossing(rng, here, backward=bool(i % 2))
        market = crossing.pop("yield") * land[int(north)] * READS_HIGH
        market *= 1 + rng.normal(0, NOISE_CV, len(market))
        moisture = crop.moisture_pct - 0.6 + rng.normal(0, 0.2, len(market))
        wet = np.clip(market, 0, None) * (100 - crop.moisture_pct) / (100 - moisture)
        seconds = np.arange(len(market)) * EVERY_S
        crossings.append(
            pl.DataFrame(
                {
                    "time": [start + timedelta(seconds=float(s)) for s in seconds],
                    "latitude": np.round(CORNER_DEG[1] + north * METER_DEG, 7),
                    "longitude": np.round(longitude(crossing["east"]), 7),
                    "yield (bu/ac)": np.round(wet / BUSHEL_KG * 0.404686, 1),
                    "moisture (%)": np.round(moisture, 1),
                    "distance (ft)": np.round(crossing["moved"] / 0.3048, 2),
                    "speed (mph)": np.round(crossing["moved"] / EVERY_S / 0.44704, 1),
                    "width (ft)": 30.0,
                }
            )
        )
        start += timedelta(seconds=float(seconds[-1]) + float(rng.integers(25, 45)))
    stamp = pl.col("time").dt.strftime("%Y-%m-%dT%H:%M:%SZ")
    return pl.concat(crossings).with_columns(stamp).write_csv()


def _crossing(
    rng: np.random.Generator, by_side: dict[str, float], *, backward: bool
) -> dict[str, Array]:
    """Return one crossing's points: meters east of the corner, meters moved, the yield as sensed."""
    steps = int((len(SIDES) * STRIP_M + 2 * BESIDE_M) / SPEED_M_S / EVERY_S)
    moved = SPEED_M_S * EVERY_S * (1 + rng.normal(0, 0.03, steps))
    along = np.cumsum(moved) - BESIDE_M
    east = len(SIDES) * STRIP_M - along if backward else along
    at = np.clip(np.floor(east / STRIP_M), -1, len(SIDES)).astype(int)
    by_place: Sequence[float] = [by_side[side] for side in SIDES] + [by_side["check"]] * 2
    cut = np.array(by_place)[at]  # beside the strips the field is as its check
    late = int(LAG_S / EVERY_S)
    sensed = np.concatenate([np.zeros(late), cut[:-late]])
    return {"east": east, "moved": moved, "yield": np.asarray(lfilter([0.5], [1, -0.5], sensed))}


def _box(west_m: float, east_m: float) -> list[list[float]]:
    south, north = CORNER_DEG[1], CORNER_DEG[1] + LENGTH_M * METER_DEG
    corners = ((west_m, south), (east_m, south), (east_m, north), (west_m, north), (west_m, south))
    return [[round(float(longitude(m)), 7), round(lat, 7)] for m, lat in corners]
