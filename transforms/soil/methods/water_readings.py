"""Water content of each reading of a soil sensor, by the best way there is."""

import polars as pl

from transforms.methods import calendar_day

# Topp, Davis and Annan 1980, Water Resources Research 16(3), 574-582,
# doi:10.1029/WR016i003p00574, equation 7: m3/m3 from permittivity, lowest power first.
TOPP: tuple[float, ...] = (-5.3e-2, 2.92e-2, -5.5e-4, 4.3e-6)

SENSOR = ["probe", "depth_cm"]


def water_readings(
    soil_reading: pl.DataFrame, sensor: pl.DataFrame, farm: pl.DataFrame
) -> pl.DataFrame:
    """Add ``vwc`` (water content in %, by the best way there is) and ``day`` to readings.

    Values are null on days on which the sensor is not valid.
    """
    return _valid(_with_water(soil_reading, sensor), sensor, farm)


def _with_water(soil_reading: pl.DataFrame, sensor: pl.DataFrame) -> pl.DataFrame:
    """Readings with ``vwc``, the water content in percent by the best way there is."""
    curves = _curves(sensor)
    powers = [c for c in curves.columns if c not in SENSOR]
    calibrated = _polynomial([pl.col(c) for c in powers], pl.col("raw_count"))
    topp = 100.0 * _polynomial([pl.lit(c) for c in TOPP], pl.col("permittivity"))
    return soil_reading.join(curves, on=SENSOR, how="left").with_columns(
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
    return given.select(SENSOR).with_columns(
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
        sensor.select(*SENSOR, "from_day", "to_day"), on=SENSOR, how="left"
    )
    valid = (pl.col("day") >= pl.col("from_day")).fill_null(True) & (
        pl.col("day") <= pl.col("to_day")
    ).fill_null(True)
    return days.with_columns(
        pl.when(valid).then(c).alias(c) for c in ("vwc", "soil_temp_c", "salinity_ds_m")
    )
