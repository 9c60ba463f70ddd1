"""Fields that a station serves beside the one that it is in."""

from schemas.shared_columns import STATION
from schemas.table import Table, Tier, count, day, text

TABLE = Table(
    "station_field",
    Tier.SETUP,
    "one field that a station serves, with dates",
    (
        STATION,
        text("field", "name of the field; 'all' for every field of the farm", key=True),
        day("from_day", "first day that it does", key=True),
        day("to_day", "last day that it does; null while it does"),
        count("listed", "place of the station in farm.toml, the first is 1", low=1, required=True),
    ),
)
