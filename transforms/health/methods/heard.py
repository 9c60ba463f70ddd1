"""The days on which an instrument, and each part of it, gave a value.

A logger goes on writing rows after a sensor died, with empty cells. So a row is not enough: a part
was heard on a day if its own quantity has a value, a sensor if it has one at its own depth. The
battery does not count.
"""

from __future__ import annotations

import polars as pl

from schemas.tables.health import sensor_run as sensors
from transforms.health.methods import runs
from transforms.health.methods.runs import RUN
from transforms.health.methods.spans import labeled
from transforms.methods.cold import with_cold
from transforms.methods.texts import depth_text

PART = ["kind", "instrument", "part"]
WHAT = [*PART, "depth_cm"]
SNOW = "snow depth"
STATION_PARTS = {
    "air temperature": ("air_temp_mean_c", "air_temp_min_c", "air_temp_max_c"),
    "humidity": (
        "relative_humidity_mean_pct",
        "relative_humidity_min_pct",
        "relative_humidity_max_pct",
        "dew_point_mean_c",
        "vapour_pressure_mean_kpa",
    ),
    "rain gauge": ("rain_mm",),
    "wind": ("wind_speed_mean_m_s",),
    "radiation": ("solar_energy_mj_m2",),
    "air pressure": ("air_pressure_mean_kpa",),
    SNOW: ("snow_depth_cm",),
}
# Quantities that make no part of their own: many stations report them only at times.
OTHERS = ("wind_gust_m_s", "reference_et_logged_mm")
QUANTITIES = ("air_temp", "humidity", "rain", "wind", "solar")  # that have a coverage
WATER_METER = "water meter"
TEMPERATURE = " temperature"
# A day with less of its readings than this is a missing day. Common practice, no source.
LEAST = 0.25


def named_depth() -> pl.Expr:
    """Name a sensor as a part of its probe: '30 cm'."""
    return depth_text(pl.col("depth_cm")) + " cm"


def value_runs(
    weather_day: pl.DataFrame, sensor_run: pl.DataFrame, water_meter_day: pl.DataFrame
) -> pl.DataFrame:
    """Return ``WHAT`` and ``RUN`` of the days with a value of each part.

    The daily frames are sorted by their keys. The part is 'whole' for a value of any quantity. A sensor has
    two parts: '30 cm' for its water content and '30 cm temperature'.
    """
    metered = runs.of_days(water_meter_day, ["station"], pl.col("volume_m3").is_not_null())
    of_station = runs.of_days(weather_day, ["station"], _any(_measured()))
    frames = [
        labeled(of_station, "station", "whole"),
        labeled(metered, "station", "whole"),
        labeled(metered, "station", WATER_METER),
        *(
            labeled(runs.of_days(weather_day, ["station"], _any(names)), "station", part)
            for part, names in STATION_PARTS.items()
        ),
        of_probes(sensor_run, sensors.VALUE).with_columns(depth_cm=pl.lit(None, pl.Float64)),
        of_probes(sensor_run, sensors.WATER, named_depth()),
        of_probes(sensor_run, sensors.TEMPERATURE, named_depth() + TEMPERATURE),
    ]
    return runs.union(pl.concat(frame.select(*WHAT, *RUN) for frame in frames), PART)


def with_flagged(heard: pl.DataFrame, flagged: pl.DataFrame) -> pl.DataFrame:
    """Return runs heard (of parts, or of instruments) with the days of flagged values (``flagged.days``).

    A value that its network flagged is not used, but it was sent.
    """
    if flagged.is_empty():
        return heard
    each = runs.of_days(flagged.sort(*WHAT, "day"), WHAT)
    whole = each.with_columns(part=pl.lit("whole"), depth_cm=pl.lit(None, pl.Float64))
    names = heard.columns
    by = [name for name in PART if name in names]
    return runs.union(pl.concat([heard, each.select(names), whole.select(names)]), by)


def with_bare_ground(
    heard: pl.DataFrame, weather_day: pl.DataFrame, farm: pl.DataFrame
) -> pl.DataFrame:
    """Return runs heard of parts, with days too warm for snow as days of the snow depth.

    Many stations give no snow depth in summer. Only stations that ever gave one have such days.
    """
    snow = heard.filter(pl.col("part") == SNOW)["instrument"].unique().implode()
    theirs = weather_day.filter(pl.col("station").is_in(snow))
    warm = with_cold(theirs, farm).filter(~pl.col("cold") & _any(_measured()))
    bare = labeled(runs.of_days(warm, ["station"]), "station", SNOW)
    return runs.union(pl.concat([heard, bare.select(heard.columns)]), PART)


def of_probes(sensor_run: pl.DataFrame, what: str, part: str | pl.Expr = "whole") -> pl.DataFrame:
    """Return the runs on which one thing is so of the sensors of probes, named as a part."""
    return labeled(sensor_run.filter(pl.col("what") == what), "probe", part)


def recorded_runs(weather_day: pl.DataFrame, sensor_run: pl.DataFrame) -> pl.DataFrame:
    """Return kind, instrument and ``RUN`` of days with at least a quarter of their readings.

    Quantities without a coverage of their own (pressure, snow) count if no other reported.
    """
    covered = pl.max_horizontal(f"{name}_coverage" for name in QUANTITIES).fill_null(0.0)
    uncovered = (*STATION_PARTS["air pressure"], *STATION_PARTS["snow depth"], *OTHERS)
    recorded = (covered >= LEAST) | ((covered == 0) & _any(uncovered))
    return of_instruments(weather_day, of_probes(sensor_run, sensors.RECORDED), recorded)


def of_instruments(
    weather_day: pl.DataFrame, probes: pl.DataFrame, of_stations: pl.Expr | None = None
) -> pl.DataFrame:
    """Return kind, instrument and ``RUN`` of days of stations, sorted, and of runs of ``probes``."""
    stations = labeled(runs.of_days(weather_day, ["station"], of_stations), "station", "whole")
    names = ["kind", "instrument"]
    return runs.union(pl.concat(frame.select(*names, *RUN) for frame in (stations, probes)), names)


def _measured() -> tuple[str, ...]:
    return (*(name for names in STATION_PARTS.values() for name in names), *OTHERS)


def _any(columns: tuple[str, ...]) -> pl.Expr:
    return pl.any_horizontal(pl.col(name).is_not_null() for name in columns)
