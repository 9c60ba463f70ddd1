"""Sensors of probes and stations that are stuck, impossible or moved, as findings.

Limits are common practice, no source.
"""

from __future__ import annotations

import polars as pl

from schemas.tables.health.sensor_run import DISTURBED, EXCHANGED, LOOKED_FOR
from transforms.health.methods.heard import named_depth
from transforms.health.methods.spans import WHO, checked_days, checked_runs, labeled, spans
from transforms.methods import flat_line
from transforms.methods.cold import LEAST_SNOW_CM, with_cold

BRIDGE_D = 3
STUCK_D = {"air temperature": 2, "humidity": 3, "wind": 5}
OF_PROBE = (DISTURBED, EXCHANGED)
BARE_SHARE, MOST_BARE_CM = 0.25, 10.0


def soil(sensor_run: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Return the findings at sensors and probes, and the days checked, of the runs of their days.

    Stuck and impossible are of a sensor. Disturbed is a probe as a whole, as are exchanged depths,
    of which the upper one is named.
    """
    found, seen = [], []
    for finding, looked_for in LOOKED_FOR.items():
        of_probe = finding in OF_PROBE
        part = pl.lit("whole") if of_probe else named_depth()
        bad, checked = (
            labeled(sensor_run.filter(pl.col("what") == what), "probe", part, finding)
            for what in (finding, looked_for)
        )
        if finding == DISTURBED:
            bad = bad.with_columns(depth_cm=pl.lit(None, pl.Float64))
        found.append(spans(bad, 1 if of_probe else BRIDGE_D))
        seen.append(checked_runs(checked, finding))
    return pl.concat(found), pl.concat(seen)


def weather(weather_day: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Station sensors that gave one value day and night for days.

    Humidity at saturation for days is weather, a wind of nothing for five days is a cup that does
    not turn (or ice on it).
    """
    low, high = pl.col("relative_humidity_min_pct"), pl.col("relative_humidity_max_pct")
    cold, warm = pl.col("air_temp_min_c"), pl.col("air_temp_max_c")
    same = {
        "air temperature": (cold == warm, "air_temp_coverage"),
        "humidity": ((low == high) & (high < 98), "humidity_coverage"),
        "wind": (pl.col("wind_speed_mean_m_s") == 0, "wind_coverage"),
    }
    found, seen = [], []
    for part, (still, covered) in same.items():
        whole = (pl.col(covered) >= 0.9) & (pl.col("readings") > 2)
        rows = weather_day.select("station", "day", whole=whole, still=still)
        days = labeled(rows.filter("whole").drop_nulls("still"), "station", part, "stuck")
        found.append(spans(days.filter("still")).filter(pl.col("days") >= STUCK_D[part]))
        seen.append(checked_days(days, "stuck"))
    return pl.concat(found), pl.concat(seen)


def snow(weather_day: pl.DataFrame, farm: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Find snow depths that stay at one value longer than the sensor's habit; return the days checked.

    Only days with snow on the sensor count. Bare ground, which a sensor may give as some
    centimeters, stays at one value all summer: it is what most warm days lie above.
    """
    days = with_cold(weather_day.filter(pl.col("snow_depth_cm").is_not_null()), farm)
    warm = pl.col("snow_depth_cm").filter(~pl.col("cold")).quantile(BARE_SHARE, "lower")
    bare = warm.over("station").fill_null(0.0).clip(0.0, MOST_BARE_CM)
    deep = (
        labeled(days, "station", "snow depth", "stuck")
        .filter(pl.col("snow_depth_cm") >= bare + LEAST_SNOW_CM)
        .sort("station", "day")
    )
    moved = (pl.col("snow_depth_cm").diff().over("station").abs() > 1e-9).fill_null(False)
    follows = pl.col("day").diff().over("station").dt.total_days() == 1
    flat = flat_line.stuck(deep, ["station"], same=~moved & follows, alive=moved)
    return spans(deep.filter(flat).select(*WHO, "depth_cm", "day")), checked_days(deep, "stuck")
