"""The truth of one site as frames: roots, uptake, balance, layers and season."""

from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
import polars as pl
from numpy.typing import NDArray

from demo_warehouse.simulator.climate import Hourly
from demo_warehouse.simulator.crops import Season
from demo_warehouse.simulator.forcing import Truth
from demo_warehouse.simulator.ground import THICK_CM, THICK_MM, layer_weights
from demo_warehouse.simulator.heat import Ground
from demo_warehouse.simulator.sensors import slice_of

Array = NDArray[np.float64]
SIDES = ("treated", "check")
OFFSET_H = -7  # the farm's standard time
UPTAKE_SEEN_MM = 0.1


def day_list(first: date, days: int) -> pl.Series:
    """The days of a record."""
    return pl.Series("day", np.datetime64(first) + np.arange(days)).cast(pl.Date)


def _first_day(series: NDArray[np.bool_], first: date) -> date | None:
    return first + timedelta(days=int(np.argmax(series))) if series.any() else None


@dataclass(frozen=True, slots=True)
class Site:
    """What the frames of a site-season need to know of it; ``index`` is its place in the arrays."""

    weather: Hourly
    season: Season
    depths_cm: tuple[float, ...]
    index: int


def roots(site: Site, truth: Truth, at: int) -> pl.DataFrame:
    """When the front and sustained uptake came to each depth of strip ``at``."""
    first = site.weather.first
    a = max((site.season.seeded - first).days, 0)
    b = (site.season.harvested - first).days + 1
    start = first + timedelta(days=a)
    rows = []
    for depth in site.depths_cm:
        own = truth.uptake_mm[a:b, at, slice_of(depth)] * 10 / THICK_CM[slice_of(depth)]
        mean = np.convolve(own, np.ones(3) / 3, mode="full")[2:]
        rows.append(
            {
                "depth_cm": float(depth),
                "reached": _first_day(truth.front_cm[a:b, at] >= depth, start),
                "uptake_begins": _first_day(mean >= UPTAKE_SEEN_MM, start),
            }
        )
    return pl.DataFrame(
        rows, schema={"depth_cm": pl.Float64, "reached": pl.Date, "uptake_begins": pl.Date}
    )


def frames(site: Site, base: Ground, truth: Truth) -> dict[str, pl.DataFrame]:
    """Frames root, uptake, balance, layer and season of the strips 2*index and 2*index+1."""
    both = [strip_frames(site, base, truth, 2 * site.index + s) for s in range(2)]
    return {
        name: pl.concat(
            one[name].select(pl.lit(side).alias("strip"), pl.all())
            for side, one in zip(SIDES, both, strict=True)
        )
        for name in both[0]
    }


def end_times(first: date, hours: int, step_min: int = 60) -> pl.Series:
    """The ends of the intervals, UTC, of a record that begins at the farm's midnight of first."""
    begin = np.datetime64(first, "us") - np.timedelta64(OFFSET_H, "h")
    steps = np.arange(1, hours * 60 // step_min + 1) * step_min
    return pl.Series("time", begin + steps.astype("timedelta64[m]")).dt.replace_time_zone("UTC")


def _by_depth(depths: tuple[float, ...], index: pl.Series, **values: Array) -> pl.DataFrame:
    """Columns of shape (rows, depths) as one long frame."""
    return pl.concat(
        pl.DataFrame(
            [index, *(pl.Series(name, array[:, k]) for name, array in values.items())]
        ).select(pl.lit(float(depth)).alias("depth_cm"), pl.all())
        for k, depth in enumerate(depths)
    )


def strip_frames(site: Site, base: Ground, truth: Truth, at: int) -> dict[str, pl.DataFrame]:
    """The frames of strip ``at``."""
    first, depths = site.weather.first, site.depths_cm
    days = len(truth.storage_mm)
    weights = layer_weights(depths)
    slices = [slice_of(depth) for depth in depths]
    uptake = _by_depth(
        depths,
        day_list(first, days),
        uptake_mm=truth.uptake_mm[:, at] @ weights.T,
        uptake_10cm_mm=truth.uptake_mm[:, at][:, slices] * 10 / THICK_CM[slices],
    )
    held = truth.theta[:, at].astype(float) @ (weights * THICK_MM).T
    balance = _balance(site, base, truth, at, weights)
    return {
        "root": roots(site, truth, at),
        "uptake": uptake,
        "balance": balance,
        "layer": _by_depth(depths, end_times(first, days * 24), storage_mm=held),
        "season": _season(site.season, balance),
    }


def _season(season: Season, balance: pl.DataFrame) -> pl.DataFrame:
    """Sums from the end of the day of seeding to the end of that of harvest."""
    day = pl.col("day")
    inside = balance.filter((day > season.seeded) & (day <= season.harvested))
    before = balance.filter(day <= season.seeded)["storage_mm"]
    after = balance.filter(day <= season.harvested)["storage_mm"]
    parts = ("rain_mm", "infiltration_mm", "runoff_mm", "evaporation_mm", "transpiration_mm")
    return inside.select(pl.col(*parts, "drainage_mm").sum()).with_columns(
        water_use_mm=pl.col("evaporation_mm") + pl.col("transpiration_mm"),
        storage_seeding_mm=pl.lit(before[-1] if len(before) else None, dtype=pl.Float64),
        storage_harvest_mm=pl.lit(after[-1] if len(after) else None, dtype=pl.Float64),
    )


def _balance(site: Site, base: Ground, truth: Truth, at: int, weights: Array) -> pl.DataFrame:
    """The strip's water by day; drainage is what left downwards through the deepest layer's bottom."""
    days = len(truth.storage_mm)
    storage = truth.theta[23::24, at].astype(float) @ (weights.sum(axis=0) * THICK_MM)
    taken = truth.uptake_mm[:, at] @ weights.sum(axis=0)
    start = np.concatenate([[np.nan], storage[:-1]])
    below = truth.infiltration_mm[:, at] - truth.evaporation_mm[:, at] - taken - (storage - start)
    return pl.DataFrame(
        {
            "day": day_list(site.weather.first, days),
            "rain_mm": site.weather.rain_mm.reshape(days, 24).sum(axis=1),
            "snow_mm": base.snow_mm[23::24, site.index],
            "infiltration_mm": truth.infiltration_mm[:, at],
            "runoff_mm": truth.runoff_mm[:, at],
            "evaporation_mm": truth.evaporation_mm[:, at],
            "sublimation_mm": base.sublimed_mm[:, site.index].reshape(days, 24).sum(axis=1),
            "transpiration_mm": truth.uptake_mm[:, at].sum(axis=1),
            "drainage_mm": np.nan_to_num(below),
            "storage_mm": storage,
            "storage_total_mm": truth.storage_mm[:, at],
        }
    )
