"""Days on end on which one thing is so of a sensor of a probe: its record and its checks in few rows.

``station_health`` asks of all years on which days a sensor gave values and on which it failed. Its days
are many and their runs are few, and those of closed years stay as they are.
"""

from __future__ import annotations

import polars as pl

from schemas import generated
from schemas.tables.health.sensor_run import (
    IMPOSSIBLE,
    LOOKED_FOR,
    RECORDED,
    ROW,
    STUCK,
    TABLE,
    TEMPERATURE,
    VALUE,
    WATER,
)
from transforms.health.methods import heard, moved, runs
from transforms.methods import near

PART = "probe year"
# What a probe's day is compared with: rain of a month before it, its neighbors of three weeks.
MARGIN_MONTHS = 1

_SENSOR_YEAR = ["probe", "depth_cm", "year"]


def derive(
    *,
    soil_day: pl.DataFrame,
    soil_quality_day: pl.DataFrame,
    weather_used_day: pl.DataFrame,
    station_spell: pl.DataFrame,
    irrigation_day: pl.DataFrame,
    farm: pl.DataFrame,
) -> pl.DataFrame:
    """One row a sensor, thing and run of days. A run ends with its calendar year."""
    soil_day = runs.in_order(soil_day, ["probe", "depth_cm", "day"])
    rain = near.wettest(weather_used_day, station_spell, farm).join(
        soil_day.select("field").unique(), on="field", how="semi", maintain_order="left"
    )
    quality = soil_quality_day.sort("probe", "depth_cm", "day")
    water, temp, salt = (
        pl.col(name).is_not_null()
        for name in ("vwc_mean_pct", "soil_temp_mean_c", "salinity_mean_ds_m")
    )
    covered = pl.max_horizontal("vwc_coverage", "soil_temp_coverage").fill_null(0.0)
    recorded = (covered >= heard.LEAST) | ((covered == 0) & salt)
    so = [
        _runs(soil_day, ROW),
        _runs(soil_day, VALUE, water | temp | salt),
        _runs(soil_day, WATER, water),
        _runs(soil_day, TEMPERATURE, temp),
        _runs(soil_day, RECORDED, recorded),
        *(
            _runs(quality, what, where)
            for finding in (STUCK, IMPOSSIBLE)
            for what, where in (
                (finding, pl.col(finding).fill_null(False)),
                (LOOKED_FOR[finding], pl.col(finding).is_not_null()),
            )
        ),
        *(_runs(days, what) for what, days in moved.probes(soil_day, rain, irrigation_day).items()),
    ]
    return generated.conform(pl.concat(so), TABLE).sort(TABLE.key)


def _runs(days: pl.DataFrame, what: str, where: pl.Expr | None = None) -> pl.DataFrame:
    """Return the runs of a sensor's days, sorted, ``where`` something is so."""
    by_year = days.with_columns(year=pl.col("day").dt.year())
    found = runs.of_days(by_year, _SENSOR_YEAR, where)
    return found.select("probe", "depth_cm", pl.lit(what).alias("what"), *runs.RUN)
