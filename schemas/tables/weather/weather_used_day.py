"""The weather of a day as the other tables use it."""

from schemas.shared_columns import (
    AIR_OF_DAY,
    DAY,
    GAUGE_HEATED,
    HUMIDITY_OF_DAY,
    PARTIAL,
    RADIATION_OF_DAY,
    RAIN_JUDGED,
    RAIN_LEFT_OUT,
    RAIN_OF_DAY,
    REASON,
    SNOW_DEPTH_OF_DAY,
    STATION,
    STATION_STOOD_IN,
    WIND_COVERAGE,
    WIND_HEIGHT,
    WIND_SPEED_OF_DAY,
)
from schemas.table import Table, Tier, day, number, text

_OF = {
    "air_temp": "air temperature",
    "humidity": "humidity",
    "wind": "wind",
    "solar": "radiation",
    "snow": "snow depth",
}

TABLE = Table(
    "weather_used_day",
    Tier.DERIVED,
    (
        "one station on one day, as the tables of rain, water and soil use it: its own values, and "
        "rain read by hand beside it where its own is missing, lost or hard to believe; what it lacks "
        "is of the nearest station that serves its field. 'stations near' and a field is what serves "
        "a field in which no station stands"
    ),
    (
        STATION,
        DAY,
        *STATION_STOOD_IN,
        *AIR_OF_DAY,
        *HUMIDITY_OF_DAY,
        *RAIN_OF_DAY,
        *RAIN_JUDGED,
        *RAIN_LEFT_OUT,
        text(
            "rain_note",
            "why the rain is lost, hard to believe or not the station's own; null where it is none of it",
        ),
        number(
            "hand_mm",
            "mm",
            "rain read by hand beside the station, used or not: of the days since hand_since_day",
            0,
            2000,
        ),
        day("hand_since_day", "first day of what was read by hand"),
        WIND_SPEED_OF_DAY,
        WIND_COVERAGE,
        *RADIATION_OF_DAY,
        SNOW_DEPTH_OF_DAY,
        *(
            text(
                f"{stem}_station", f"station that the day's {words} is of; null where there is none"
            )
            for stem, words in _OF.items()
        ),
        GAUGE_HEATED,
        WIND_HEIGHT,
        PARTIAL,
        REASON,
    ),
)
