"""Readings of a station reduced to a day."""

from schemas.shared_columns import (
    AIR_TEMP_MAX,
    AIR_TEMP_MIN,
    DAY,
    EXTREMES_FROM,
    PARTIAL,
    RAIN_OF_DAY,
    STATION,
    STATION_STOOD_IN,
    WIND_HEIGHT,
)
from schemas.table import Table, Tier, count, coverage, flag, number, text

TABLE = Table(
    "weather_day",
    Tier.DAILY,
    "one station on one day",
    (
        STATION,
        DAY,
        *STATION_STOOD_IN,
        number(
            "air_temp_mean_c",
            "degC",
            (
                "mean air temperature: time-weighted mean of the readings, or half of the sum of "
                "the extremes where only they came"
            ),
            -90,
            60,
        ),
        AIR_TEMP_MIN,
        AIR_TEMP_MAX,
        EXTREMES_FROM,
        coverage("share of the day with air temperature", "air_temp_coverage"),
        number(
            "relative_humidity_mean_pct",
            "percent",
            "mean relative humidity, readings above 100 taken as 100",
            0,
            100,
        ),
        number("relative_humidity_min_pct", "percent", "lowest relative humidity", 0, 100),
        number("relative_humidity_max_pct", "percent", "highest relative humidity", 0, 100),
        number("dew_point_mean_c", "degC", "mean dew point as measured", -100, 40),
        number(
            "vapour_pressure_mean_kpa",
            "kPa",
            "mean actual vapour pressure: as measured, or of specific humidity or the deficit",
            0,
            8,
        ),
        coverage(
            "share of the day with humidity, dew point or vapour pressure", "humidity_coverage"
        ),
        *RAIN_OF_DAY,
        number("wind_speed_mean_m_s", "m/s", "mean wind speed at the sensor's height", 0, 90),
        number("wind_gust_m_s", "m/s", "highest gust", 0, 120),
        coverage("share of the day with wind speed", "wind_coverage"),
        number(
            "solar_energy_mj_m2",
            "MJ/m^2",
            "global short-wave radiation, sum of the part of the day that was recorded; never scaled up",
            0,
            50,
        ),
        coverage("share of the day with radiation", "solar_coverage"),
        number("air_pressure_mean_kpa", "kPa", "mean air pressure at the station", 45, 110),
        number("snow_depth_cm", "cm", "last snow depth of the day", 0, 1500),
        number(
            "reference_et_logged_mm",
            "mm",
            "reference evapotranspiration as the logger summed it",
            -1,
            40,
        ),
        number("battery_min_v", "V", "lowest supply voltage", 0, 30),
        count("readings", "readings of the day"),
        count(
            "rain_suspect",
            "rain counter steps that could not be explained (a small fall) and were left out",
        ),
        # Not in the checksum, which stays what it was before there was this column.
        text(
            "rain_reason",
            "why steps of the rain counter say nothing of the rain; null where all do",
            provenance=True,
        ),
        number(
            "rain_impossible_mm",
            "mm",
            (
                "rain that was left out: more than was ever measured anywhere in its length of time; "
                "null where there was none"
            ),
            0,
        ),
        flag("gauge_heated", "true where the rain gauge is heated"),
        WIND_HEIGHT,
        PARTIAL,
    ),
)
