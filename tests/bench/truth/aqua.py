"""Strip-seasons as AquaCrop grows them: a truth of other makers, for water use and daily rooting only.

AquaCrop (Steduto et al. 2009, doi:10.2134/agronj2008.0139s; the package ``aquacrop``, in the test
extra) steps by the day: a cascade of compartments of 10 cm, exponential drainage above field
capacity, evaporation in two stages, run-off by curve number, its own canopy, uptake and roots. It
knows no winter and nothing of the course of a day, so its record begins in April, a probe gives one
value a day, and shares and the day-night method are not judged by it. Its profile ends at the bottom
of the deepest layer, so that what drains below it is the model's own deep percolation.

The weather, the sensors' errors and the set-up are those of ``demo_warehouse.simulator``.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pandas as pd
import polars as pl
from aquacrop import AquaCropModel, Crop, InitialWaterContent, Soil
from numpy.typing import NDArray

from demo_warehouse.simulator import heat, judge, known, sensors
from demo_warehouse.simulator.settings import probe_names, settings
from schemas.catalogue import TABLES
from schemas.generated import conform

Array = NDArray[np.float64]
SOILS = {"clay": "Clay", "silty clay": "SiltClay", "clay loam": "ClayLoam", "loam": "Loam"}
BEGINS = (4, 1)  # month and day from which the model runs
COMPARTMENT_M = 0.1
# Its roots are at 30 cm from the day of planting on, so only depths below that have a day.
FIRST_DEPTH_CM = 35.0
FILLED_BY_SPRING = 0.45  # of the available water, over the winter that the model does not have


def strip_seasons(plan: Sequence[tuple[int, judge.Options]]) -> Iterator[judge.SiteSeason]:
    """Site-seasons of barley in a treated and a check strip, whose roots differ in pace and depth."""
    sites = [judge._site(seed, replace(options, crop="barley")) for seed, options in plan]
    weather = [site.weather for site in sites]
    base = heat.ground(
        *(
            np.stack([getattr(w, name) for w in weather], axis=1)
            for name in ("rain_mm", "air_temp_c", "solar_w_m2")
        )
    )
    for i, site in enumerate(sites):
        yield _one(site, base.soil_temp_c[:, i])


def _one(site: judge._Site, soil_temp: NDArray[np.float32]) -> judge.SiteSeason:
    depths = site.options.depths_cm
    first = date(site.season.harvested.year, *BEGINS)
    rng = np.random.default_rng([site.seed, 1602])
    deepest = float(rng.uniform(0.85, 1.05))
    pace = float(rng.uniform(0.75, 0.95))  # of the time to full depth, treated against check
    tables = settings(site.name, first, site.season, site.options.soil, depths)
    readings, roots, balances = [], [], []
    for side, shallower, sooner in (("treated", 1.0, pace), ("check", 0.9, 1.0)):
        flux, water, growth = _run(site, first, deepest * shallower, sooner)
        readings.append(_readings(site, side, first, _at(depths, water), soil_temp))
        front = growth["z_root"] * 100
        days = known.day_list(first, len(front))
        roots += [
            {
                "strip": side,
                "depth_cm": float(depth),
                "reached": days[int(np.argmax(front >= depth))] if max(front) >= depth else None,
                "uptake_begins": None,
            }
            for depth in depths
            if depth >= FIRST_DEPTH_CM
        ]
        balances.append(
            pl.DataFrame(
                {
                    "strip": side,
                    "day": days,
                    "infiltration_mm": flux["Infl"],
                    "runoff_mm": flux["Runoff"],
                    "evaporation_mm": flux["Es"],
                    "transpiration_mm": flux["Tr"],
                    "drainage_mm": flux["DeepPerc"] - flux["CR"],
                    "storage_mm": water @ _thickness_mm(depths),
                }
            )
        )
    last = balances[0]["day"][-1]
    tables["season"] = tables["season"].with_columns(
        harvested=pl.min_horizontal("harvested", pl.lit(last))
    )
    tables["soil_reading"] = pl.concat(readings).sort("probe", "depth_cm", "time")
    tables["weather_reading"] = judge._weather_readings(site)
    tables = {name: conform(frame, TABLES[name]) for name, frame in tables.items()}
    when = {"reached": pl.Date, "uptake_begins": pl.Date}
    root = pl.DataFrame(roots, schema_overrides=when)
    nothing = pl.DataFrame()
    truth = judge.Truth(root, nothing, pl.concat(balances), nothing, nothing, nothing)
    return judge.SiteSeason(site.seed, site.options, tables, truth)


def _thickness_mm(depths: Sequence[float]) -> Array:
    """Compartments from the surface to the bottom of the deepest sensor's layer, mm."""
    bottom_m = (depths[-1] + (depths[-1] - depths[-2]) / 2) / 100
    whole = int(bottom_m / COMPARTMENT_M + 1e-9)
    rest = bottom_m - whole * COMPARTMENT_M
    cells = [COMPARTMENT_M] * whole
    cells[-1] += rest
    return 1000 * np.array(cells)


def _run(
    site: judge._Site, first: date, deepest_m: float, sooner: float
) -> tuple[dict[str, Array], Array, dict[str, Array]]:
    """Fluxes in mm a day, water content by day and compartment, growth; from ``first`` to maturity."""
    skipped = (first - site.weather.first).days
    days = len(site.weather.rain_mm) // 24 - skipped
    last = first + timedelta(days=days - 1)

    def by_day(name: str) -> Array:
        return np.asarray(getattr(site.weather, name).reshape(-1, 24)[skipped:])

    temp = by_day("air_temp_c")
    weather = pd.DataFrame(
        {
            "MinTemp": temp.min(axis=1),
            "MaxTemp": temp.max(axis=1),
            "Precipitation": by_day("rain_mm").sum(axis=1),
            "ReferenceET": np.maximum(by_day("reference_et_mm").sum(axis=1), 0.1),
            "Date": pd.date_range(first, periods=days),
        }
    )
    plain = Crop("BarleyGDD", planting_date=f"{site.season.seeded:%m/%d}")
    crop = Crop(
        "BarleyGDD",
        planting_date=f"{site.season.seeded:%m/%d}",
        Zmax=deepest_m,
        MaxRooting=plain.MaxRooting * sooner,
    )
    share = 100 * min(site.start_share + FILLED_BY_SPRING, 1.0)
    model = AquaCropModel(
        f"{first:%Y/%m/%d}",
        f"{last:%Y/%m/%d}",
        weather,
        Soil(SOILS[site.options.soil], dz=list(_thickness_mm(site.options.depths_cm) / 1000)),
        crop,
        InitialWaterContent("Pct", "Layer", [1], [share]),
        off_season=True,
    )
    model.run_model(till_termination=True)
    stored = model.get_water_storage()
    water = stored[[c for c in stored.columns if c.startswith("th")]].to_numpy()
    water = water[(water > 0).all(axis=1)]  # the model stops at maturity, its rows go on empty
    flux, growth = (
        {name: frame[name].to_numpy()[: len(water)] for name in frame.columns}
        for frame in (model.get_water_flux(), model.get_crop_growth())
    )
    return flux, water, growth


def _at(depths: Sequence[float], water: Array) -> Array:
    """Water content at the sensors, by straight lines between the middles of compartments."""
    thick = _thickness_mm(depths) / 10
    middle = np.cumsum(thick) - thick / 2
    return np.stack([np.interp(depths, middle, row) for row in water])


def _readings(
    site: judge._Site, side: str, first: date, theta: Array, soil_temp: NDArray[np.float32]
) -> pl.DataFrame:
    """One value a day and sensor, read at the day's end, with the sensors' errors."""
    rng = np.random.default_rng([site.seed, 1603, known.SIDES.index(side)])
    logger = replace(site.options.logger, step_min=1440)
    skipped = 24 * (first - site.weather.first).days
    days = len(theta)
    times = pl.Series(known.end_times(first, days * 24)[23::24])
    frames = []
    for k, depth in enumerate(site.options.depths_cm):
        temp = soil_temp[skipped + 23 : skipped + days * 24 : 24, sensors.slice_of(depth)]
        value = sensors.reading_pct(
            rng,
            logger,
            sensors.draw(rng, logger),
            theta=theta[:, k],
            temp_c=temp.astype(float),
            set_days=np.arange(days, dtype=float),
        )
        frame = pl.DataFrame({"time": times, "vwc_pct": value}).with_columns(
            probe=pl.lit(probe_names(site.name)[side]),
            depth_cm=pl.lit(float(depth)),
            interval_s=pl.lit(86400.0),
            soil_temp_c=pl.Series(np.round(temp.astype(float), 1)),
        )
        frames.append(frame.filter(pl.col("vwc_pct").is_not_nan()))
    return pl.concat(frames)
