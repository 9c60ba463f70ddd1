"""Where a station stood, with dates."""

from schemas.shared_columns import STATION, STRIP_STOOD_IN, WIND_HEIGHT
from schemas.table import Table, Tier, day, flag, number, text

TABLE = Table(
    "station_spell",
    Tier.SETUP,
    "one spell of a station at one place",
    (
        STATION,
        day("from_day", "first day there", key=True),
        day("to_day", "last day there; null while it stands"),
        text(
            "field",
            "field that it is in; null for a station that is not on a trial (a long record, a neighbor)",
        ),
        STRIP_STOOD_IN,
        flag("serves", "true where it serves other fields too (see station_field)"),
        WIND_HEIGHT,
        flag(
            "gauge_heated",
            "true where the rain gauge is heated, so that snow is measured as it falls",
        ),
        flag(
            "instant",
            "true where the layouts of its radiation say stamp = instant: each value is of its stamp",
        ),
        number(
            "irrigated_area_ha",
            "hectare",
            "of a station with a water meter, the area that its water is put on",
            0,
            100000,
        ),
        number("latitude_deg", "degree", "its latitude; null for the farm's", -90, 90),
        number("longitude_deg", "degree", "its longitude; null for the farm's", -180, 180),
    ),
)
