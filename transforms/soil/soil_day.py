"""Readings of soil sensors reduced to days."""

from __future__ import annotations

import polars as pl

from schemas import generated
from schemas.tables.soil.soil_day import TABLE
from transforms.methods import calendar_day, limits

# Topp, Davis and Annan 1980, Water Resources Research 16(3), 574-582,
# doi:10.1029/WR016i003p00574, equation 7: m3/m3 from permittivity, lowest power first.
TOPP: tuple[float, ...] = (-5.3e-2, 2.92e-2, -5.5e-4, 4.3e-6)

_KEY = ["probe", "depth_cm"]


def derive(
    soil_reading: pl.DataFrame,
    probe_spell: pl.DataFrame,
    sensor: pl.DataFrame,
    farm: pl.DataFrame,
) -> pl.DataFrame:
    """One row a sensor and day (see ``schemas/tables/soil/soil_day.py``).

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
        .sort(*_KEY, "time")
        .with_columns(pl.struct(*_KEY, "day").rle_id().alias("group"))
        .with_columns(
            calendar_day.covered_s(pl.col(c).is_not_null(), "group").alias(s)
            for c, s in (("vwc", "vwc_s"), ("soil_temp_c", "temp_s"))
        )
        .group_by(*_KEY, "day")
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
    return generated.conform(placed.sort(*_KEY, "day"), TABLE)


def water_readings(
    soil_reading: pl.DataFrame, sensor: pl.DataFrame, farm: pl.DataFrame
) -> pl.DataFrame:
    """Readings with ``vwc`` (water content in %, by the best way there is) and their ``day``.

    Values are null on days on which the sensor is not valid.
    """
    return _valid(_with_water(soil_reading, sensor), sensor, farm)


def _with_water(soil_reading: pl.DataFrame, sensor: pl.DataFrame) -> pl.DataFrame:
    """Readings with ``vwc``, the water content in percent by the best way there is."""
    curves = _curves(sensor)
    powers = [c for c in curves.columns if c not in _KEY]
    calibrated = _polynomial([pl.col(c) for c in powers], pl.col("raw_count"))
    topp = 100.0 * _polynomial([pl.lit(c) for c in TOPP], pl.col("permittivity"))
    return soil_reading.join(curves, on=_KEY, how="left").with_columns(
        pl.when(calibrated.is_not_null())
        .then(_possible(calibrated))
        .otherwise(pl.coalesce("vwc_pct", _possible(topp)))
        .alias("vwc"),
        pl.any_horizontal(pl.col("vwc_pct", "permittivity", "raw_count").is_not_null()).alias(
            "reports_vwc"
        ),
        pl.col("soil_temp_c").is_not_null().alias("reports_temp"),
    )


def _curves(sensor: pl.DataFrame) -> pl.DataFrame:
    """Calibration coefficients of the sensors that have them, a column a power, lowest first."""
    given = sensor.filter(pl.col("calibration").str.strip_chars() != "")
    texts = given["calibration"].str.extract_all(r"\S+")
    curves = [[float(word) for word in words] for words in texts]
    longest = max((len(curve) for curve in curves), default=1)
    return given.select(_KEY).with_columns(
        pl.Series(f"power_{i}", [c[i] if i < len(c) else 0.0 for c in curves], dtype=pl.Float64)
        for i in range(longest)
    )


def _polynomial(coefficients: list[pl.Expr], x: pl.Expr) -> pl.Expr:
    """Value of a polynomial, coefficients lowest power first (Horner's rule)."""
    value = coefficients[-1] + 0.0 * x
    for coefficient in reversed(coefficients[:-1]):
        value = value * x + coefficient
    return value


def _possible(vwc: pl.Expr) -> pl.Expr:
    return pl.when(vwc.is_between(0.0, 100.0)).then(vwc)


def _valid(reading: pl.DataFrame, sensor: pl.DataFrame, farm: pl.DataFrame) -> pl.DataFrame:
    """Readings with their day; values are null on days on which the sensor is not valid."""
    days = reading.with_columns(calendar_day.day_of(pl.col("time"), farm).alias("day")).join(
        sensor.select(*_KEY, "from_day", "to_day"), on=_KEY, how="left"
    )
    valid = (pl.col("day") >= pl.col("from_day")).fill_null(True) & (
        pl.col("day") <= pl.col("to_day")
    ).fill_null(True)
    return days.with_columns(
        pl.when(valid).then(c).alias(c) for c in ("vwc", "soil_temp_c", "salinity_ds_m")
    )
