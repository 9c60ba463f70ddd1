"""Readings of soil sensors reduced to days."""

import polars as pl

from schemas import generated
from schemas.tables.soil.soil_day import TABLE
from transforms.methods import calendar_day, limits
from transforms.soil.methods.water_readings import SENSOR, water_readings


def derive(
    soil_reading: pl.DataFrame,
    probe_spell: pl.DataFrame,
    sensor: pl.DataFrame,
    farm: pl.DataFrame,
) -> pl.DataFrame:
    """Reduce soil readings to one row a sensor and day.

    ``soil_reading`` holds all readings of the days wanted; each day stands alone. Water content
    is, reading by reading, the first that there is of: the sensor's own calibration polynomial of
    the raw count; the water content as reported; the equation of Topp et al. 1980 for mineral
    soils from permittivity. A computed content outside 0 to 100 % is none. Coverage is the share
    of the day that the intervals of the readings cover, overlaps once; means are weighted by
    covered seconds. On a day outside the sensor's valid days the row stands without values.
    ``partial`` is true where water content or temperature covers less than
    ``calendar_day.WHOLE`` of the day although it reported, or the sensor was not valid.
    """
    if soil_reading.is_empty():
        return generated.empty(TABLE)
    reading = water_readings(soil_reading, sensor, farm)
    mean, coverage = calendar_day.weighted_mean, calendar_day.coverage
    day = (
        reading.lazy()
        .sort(*SENSOR, "time")
        .with_columns(pl.struct(*SENSOR, "day").rle_id().alias("group"))
        .with_columns(
            calendar_day.covered_s(pl.col(c).is_not_null(), "group").alias(s)
            for c, s in (("vwc", "vwc_s"), ("soil_temp_c", "temp_s"))
        )
        .group_by(*SENSOR, "day")
        .agg(
            mean(pl.col("vwc"), pl.col("vwc_s")).alias("vwc_mean_pct"),
            pl.col("vwc").min().alias("vwc_min_pct"),
            pl.col("vwc").max().alias("vwc_max_pct"),
            pl.col("vwc").drop_nulls().last().alias("vwc_last_pct"),
            coverage(pl.col("vwc_s")).alias("vwc_coverage"),
            mean(pl.col("soil_temp_c"), pl.col("temp_s")).alias("soil_temp_mean_c"),
            pl.col("soil_temp_c").min().alias("soil_temp_min_c"),
            pl.col("soil_temp_c").max().alias("soil_temp_max_c"),
            coverage(pl.col("temp_s")).alias("soil_temp_coverage"),
            pl.col("salinity_ds_m").mean().alias("salinity_mean_ds_m"),
            pl.col("probe_battery_v").min().alias("battery_min_v"),
            pl.len().alias("readings"),
            pl.col("reports_vwc", "reports_temp").any(),
        )
        .collect()
    )
    part = (pl.col("reports_vwc") & (pl.col("vwc_coverage") < calendar_day.WHOLE)) | (
        pl.col("reports_temp") & (pl.col("soil_temp_coverage") < calendar_day.WHOLE)
    )
    placed = calendar_day.in_spell(
        limits.within(day.with_columns(part.alias("partial")), TABLE),
        probe_spell,
        "probe",
        ["field", "strip"],
    ).drop("reports_vwc", "reports_temp")
    return generated.conform(placed.sort(*SENSOR, "day"), TABLE)
