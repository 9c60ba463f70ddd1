"""Where a probe stood, with dates."""

from schemas.shared_columns import PROBE
from schemas.table import Table, Tier, day, text

TABLE = Table(
    "probe_spell",
    Tier.SETUP,
    "one spell of a probe in the soil: lifted for seeding and set back makes two",
    (
        PROBE,
        day("from_day", "first whole day in the soil", key=True),
        day("to_day", "last whole day in the soil; null while it stands"),
        text("field", "field that it is in", required=True),
        text("strip", "name of the strip", required=True),
    ),
)
