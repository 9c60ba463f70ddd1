"""One crop in one field, seeding to harvest."""

from schemas.table import Table, Tier, count, day, text

TABLE = Table(
    "season",
    Tier.SETUP,
    "one crop in one field, seeding to harvest; it may cross New Year",
    (
        text("field", "name of the field", key=True),
        count("season", "year of the harvest", low=1900, high=2200, key=True),
        text("crop", "crop, a name of the crop list", required=True),
        text("variety", "variety of the crop"),
        day("seeded", "day of seeding", required=True),
        day("emerged", "day of emergence, where noted"),
        day("harvested", "day of harvest; null while the crop stands"),
        text("notes", "the user's notes"),
    ),
)
