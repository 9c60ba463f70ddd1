"""Published ways to read uptake from a sensor's day, to compare with the default.

Each works on the windows of ``soil_pulse_day`` (the day and its two nights; ``t`` in days from solar
noon, ``half`` the half day in hours) and gives a fall in % by volume for each sensor and day.

- ``three_lines``: Guderle and Hildebrandt 2015 (doi:10.5194/hess-19-409-2015), multi-step
  multi-layer regression: a line for each night and one for the day; the day's slope less the mean
  of the nights', times the length of the day.
- ``step_shape``: Jackisch et al. 2020 (doi:10.5194/bg-17-5787-2020): the line of the night before
  drawn on to dusk, less the water content at dusk. Their further rules refuse days, negative values
  among them; here every day is kept, so that the methods are compared on the same days.
"""

from __future__ import annotations

import polars as pl

from transforms.soil import soil_pulse_day
from transforms.soil.methods.water_readings import water_readings

SENSOR = ["probe", "depth_cm"]
WINDOW = ["sensor_no", "solar_day"]


def compared(tables: dict[str, pl.DataFrame]) -> pl.DataFrame:
    """probe, depth_cm, day, three_lines_pct, step_shape_pct."""
    readings, farm = tables["soil_reading"], tables["farm"]
    sensors = readings.select(SENSOR).unique().sort(SENSOR).with_row_index("sensor_no")
    water = water_readings(readings, tables["sensor"], farm).join(sensors, on=SENSOR)
    placed = soil_pulse_day._without_spikes(soil_pulse_day._placed(water, farm))
    windows = soil_pulse_day._windows(placed)
    dusk = pl.col("half") / 24
    part = (
        pl.when(pl.col("t") < -dusk)
        .then(pl.lit("before"))
        .when(pl.col("t") > dusk)
        .then(pl.lit("after"))
        .otherwise(pl.lit("day"))
    )
    t, v = pl.col("t"), pl.col("vwc")
    lines = (
        windows.group_by(*WINDOW, part=part)
        .agg(
            n=pl.len(),
            slope=pl.cov(t, v, ddof=0) / t.var(ddof=0),
            t_mean=t.mean(),
            v_mean=v.mean(),
            dusk=dusk.first(),
        )
        .filter(pl.col("n") >= 3)
        .pivot("part", index=WINDOW, values=["slope", "t_mean", "v_mean", "dusk"])
    )
    at_dusk = windows.filter((t - dusk).abs() <= 1.01 / 24).group_by(WINDOW).agg(v_dusk=v.mean())
    c = pl.col
    drawn_on = c("v_mean_before") + c("slope_before") * (c("dusk_day") - c("t_mean_before"))
    return (
        lines.join(at_dusk, on=WINDOW)
        .join(sensors, on="sensor_no")
        .select(
            *SENSOR,
            # solar days are counted from 1970 and lie within the farm's day of the same date here
            day=pl.date(1970, 1, 1) + pl.duration(days=c("solar_day")),
            three_lines_pct=((c("slope_before") + c("slope_after")) / 2 - c("slope_day"))
            * 2
            * c("dusk_day"),
            step_shape_pct=drawn_on - c("v_dusk"),
        )
    )
