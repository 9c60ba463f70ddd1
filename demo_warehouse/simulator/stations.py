"""What the weather stations measure, in SI, before anything is written or goes wrong."""

from dataclasses import dataclass
from datetime import date

import numpy as np
import polars as pl
from numpy.typing import NDArray

from demo_warehouse.simulator.farm import Farm
from demo_warehouse.simulator.plan import FIRST
from demo_warehouse.simulator.sensors import refine

LONGITUDE_DEG, STANDARD_OFFSET_H = -111.7, -7.0  # as farm.toml has them; a test holds them together

Array = NDArray[np.float64]
TIME = "time"  # end of the interval on the farm's standard clock, without a zone


@dataclass(frozen=True, slots=True)
class Gauge:
    """A tipping bucket: its tip in mm, its share of catch, whether it is heated."""

    tip_mm: float = 0.2
    catch: float = 1.0
    heated: bool = False


def standard_times(first: date, steps: int, step_min: int) -> pl.Series:
    """The ends of the intervals of a record that begins at midnight of ``first``."""
    ends = np.arange(1, steps + 1) * step_min
    return pl.Series(TIME, np.datetime64(first, "us") + ends.astype("timedelta64[m]"))


def tips(rng: np.random.Generator, gauge: Gauge, rain_mm: Array, temp_c: Array, per: int) -> Array:
    """Rain as the gauge tells it, ``per`` values an hour.

    An unheated gauge holds the snow that it caught (a bit more than half of it) until it thaws.
    """
    caught = rain_mm * gauge.catch
    if not gauge.heated:
        caught = _thawed(caught, temp_c)
    total = np.floor(np.cumsum(caught) / gauge.tip_mm + 1e-9)
    hourly = np.diff(total, prepend=0.0).astype(np.int64)
    if per == 1:
        return np.asarray(hourly * gauge.tip_mm, dtype=np.float64)
    out = np.zeros((len(hourly), per))
    wet = np.flatnonzero(hourly)
    out[wet] = rng.multinomial(hourly[wet], np.full(per, 1 / per))
    return out.ravel() * gauge.tip_mm


def _thawed(caught: Array, temp_c: Array) -> Array:
    snow = temp_c < 0.5
    out = np.where(snow, 0.0, caught)
    held = 0.0
    melt = np.clip(temp_c - 1.0, 0, None) * 0.25
    for i in np.flatnonzero(snow | (melt > 0)):
        if snow[i]:
            held += 0.55 * caught[i]
        elif held > 0:
            gone = min(held, melt[i])
            held -= gone
            out[i] += gone
    return out


def by_the_sun(hourly: Array, step_min: int) -> Array:
    """Radiation of a climate whose noon is at 12, as it comes in where the sun's noon is later.

    ``hourly`` in W/m², from midnight of ``FIRST``. The sun's noon by the zone's standard clock goes by
    the longitude and the equation of time (FAO-56 equations 31 to 33).
    """
    per = 60 // step_min
    middle = (np.arange(len(hourly) * per) + 0.5) / per
    turn = 2 * np.pi * (middle / 24 + FIRST.timetuple().tm_yday - 81) / 365.25
    equation_h = 0.1645 * np.sin(2 * turn) - 0.1255 * np.cos(turn) - 0.025 * np.sin(turn)
    late_h = STANDARD_OFFSET_H - LONGITUDE_DEG / 15 - equation_h
    return np.interp(middle - late_h, np.arange(len(hourly)) + 0.5, hourly)


def station(
    rng: np.random.Generator, farm: Farm, name: str, gauge: Gauge, step_min: int
) -> pl.DataFrame:
    """The readings of one station from its first day on, one row an interval."""
    spell = farm.plan.stations[name]["spells"][0]
    site = farm.plan.fields.index(spell["field"])
    w = farm.weather[site]
    per = 60 // step_min
    hours = len(w.air_temp_c)

    def fine(hourly: Array) -> Array:
        return refine(hourly, step_min)

    def noisy(values: Array, spread: float, places: int) -> Array:
        return np.round(values + rng.normal(0, spread, len(values)), places)

    steps = hours * per
    temp = fine(w.air_temp_c) + rng.normal(0, 0.15)
    sun = by_the_sun(w.solar_w_m2, step_min) * rng.normal(1, 0.02)
    season = np.cos(2 * np.pi * (np.arange(steps) / per / 24 - 170) / 365.25)
    frame = pl.DataFrame(
        {
            TIME: standard_times(FIRST, steps, step_min),
            "air_temp_c": noisy(temp, 0.1, 2),
            "relative_humidity_pct": np.clip(noisy(fine(w.humidity_pct), 1.0, 1), 3, 102),
            "rain_mm": np.round(tips(rng, gauge, w.rain_mm, w.air_temp_c, per), 3),
            "wind_speed_m_s": np.clip(noisy(fine(w.wind_m_s), 0.15, 2), 0, None),
            "solar_radiation_w_m2": np.clip(noisy(sun, 2.0, 1), -5, None),
            "air_pressure_kpa": noisy(fine(w.pressure_kpa), 0.02, 3),
            "battery_v": noisy(12.7 + 0.35 * season + 0.004 * np.clip(temp, -30, 20), 0.02, 2),
            "snow_depth_cm": np.clip(noisy(fine(farm.ground.snow_cm[:, site]), 0.3, 1), 0, None),
        }
    ).with_columns(
        wind_gust_m_s=(pl.col("wind_speed_m_s") * pl.Series(1.5 + 0.2 * rng.random(steps))).round(2)
    )
    return frame.filter(pl.col(TIME) > spell["from"])
