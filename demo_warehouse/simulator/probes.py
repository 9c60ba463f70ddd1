"""What the soil probes measure while they stand in the soil, before anything goes wrong."""

from dataclasses import replace
from datetime import date, datetime, time, timedelta

import numpy as np
import polars as pl
from numpy.typing import NDArray

from demo_warehouse.simulator import sensors
from demo_warehouse.simulator.farm import Farm
from demo_warehouse.simulator.plan import FIRST
from demo_warehouse.simulator.stations import TIME, standard_times

Array = NDArray[np.float64]

LOGGERS: dict[str, sensors.Logger] = {
    "Windbreak": sensors.Logger(resolution_pct=0.1, noise_pct=0.04, settling_pct=0.6),
    "Coulee": sensors.Logger(resolution_pct=0.1, noise_pct=0.07, settling_pct=0.6),
    "Stonepile": sensors.Logger(resolution_pct=0.01, noise_pct=0.03, settling_pct=0.4),
    "Gumbo": sensors.Logger(resolution_pct=0.2, noise_pct=0.05, settling_pct=0.6),
}


def vwc(depth_cm: float) -> str:
    """Name of a sensor's water content."""
    return f"vwc_{depth_cm:g}"


def warmth(depth_cm: float) -> str:
    """Name of a sensor's soil temperature."""
    return f"soil_temp_{depth_cm:g}"


def days_set(spells: list[dict[str, date]], steps: int, step_min: int) -> Array:
    """Days since the probe was last set, at each step; NaN while it is out of the soil."""
    out = np.full(steps, np.nan)
    per_day = 1440 // step_min
    for spell in spells:
        a = (spell["from"] - FIRST).days * per_day
        b = (spell["to"] - FIRST).days * per_day + per_day if "to" in spell else steps
        out[a:b] = np.arange(b - a) / per_day
    return out


def probe(rng: np.random.Generator, farm: Farm, name: str, step_min: int) -> pl.DataFrame:
    """The readings of one probe: a row an interval, two columns a sensor, only while it is set."""
    spells = farm.plan.probes[name]["spells"]
    field, side = spells[0]["field"], spells[0]["strip"]
    site, at = farm.plan.fields.index(field), farm.plan.strip(field, side)
    logger = replace(LOGGERS[field], step_min=step_min)
    steps = len(farm.water.theta) * 60 // step_min
    since = days_set(spells, steps, step_min)
    columns: dict[str, Array] = {}
    for depth in farm.plan.probe_depths(name):
        k = sensors.slice_of(depth)
        theta = sensors.refine(farm.water.theta[:, at, k].astype(float), step_min)
        temp = sensors.refine(farm.ground.soil_temp_c[:, site, k].astype(float), step_min)
        own = sensors.draw(rng, logger)
        columns[vwc(depth)] = sensors.reading_pct(
            rng, logger, own, theta=theta, temp_c=temp, set_days=np.nan_to_num(since)
        )
        columns[warmth(depth)] = np.round(temp + rng.normal(0, 0.05, steps), 1)
    frame = pl.DataFrame({TIME: standard_times(FIRST, steps, step_min), **columns})
    return frame.with_columns(pl.col(*columns).fill_nan(None)).filter(~np.isnan(since))


def midnight(day: date) -> datetime:
    """The day's first instant on the farm's standard clock."""
    return datetime.combine(day, time())


def clock(day: date, hour: float) -> datetime:
    """A time of the day on the farm's standard clock."""
    return midnight(day) + timedelta(hours=hour)


def between(first: date, last: date) -> pl.Expr:
    """Rows whose interval ends within these days, both whole."""
    return (pl.col(TIME) > midnight(first)) & (pl.col(TIME) <= midnight(last + timedelta(days=1)))
