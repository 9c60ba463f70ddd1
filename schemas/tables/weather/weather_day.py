"""Readings of a station reduced to a day."""

from schemas.shared_columns import (
    AIR_OF_DAY,
    DAY,
    GAUGE_HEATED,
    HUMIDITY_OF_DAY,
    PARTIAL,
    RADIATION_OF_DAY,
    RAIN_LEFT_OUT,
    RAIN_OF_DAY,
    SNOW_DEPTH_OF_DAY,
    STATION,
    STATION_STOOD_IN,
    WIND_COVERAGE,
    WIND_HEIGHT,
    WIND_SPEED_OF_DAY,
)
from schemas.table import Table, Tier, count, number

TABLE = Table(
    "weather_day",
    Tier.DAILY,
    "one station on one day",
    (
        STATION,
        DAY,
        *STATION_STOOD_IN,
        *AIR_OF_DAY,
        *HUMIDITY_OF_DAY,
        *RAIN_OF_DAY,
        WIND_SPEED_OF_DAY,
        number("wind_gust_m_s", "m/s", "highest gust", 0, 120),
        WIND_COVERAGE,
        *RADIATION_OF_DAY,
        number("air_pressure_mean_kpa", "kPa", "mean air pressure at the station", 45, 110),
        SNOW_DEPTH_OF_DAY,
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
        *RAIN_LEFT_OUT,
        GAUGE_HEATED,
        WIND_HEIGHT,
        PARTIAL,
    ),
)
