"""One crop in one field, seeding to harvest."""

from schemas.shared_columns import FIELD, NOTES, SEASON
from schemas.table import Table, Tier, day, text

TABLE = Table(
    "season",
    Tier.SETUP,
    "one crop in one field, seeding to harvest; it may cross New Year",
    (
        FIELD,
        SEASON,
        text("crop", "crop, a name of the crop list", required=True),
        text("variety", "variety of the crop"),
        day("seeded", "day of seeding", required=True),
        day("emerged", "day of emergence, where noted"),
        day("harvested", "day of harvest; null while the crop stands"),
        NOTES,
    ),
)
