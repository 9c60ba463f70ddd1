"""When a season is to be expected: the dates that the trial's year hangs on."""

from schemas.shared_columns import FIELD, SEASON, completeness
from schemas.table import Table, Tier, count, day, flag, text

TABLE = Table(
    "season_ahead",
    Tier.DERIVED,
    "one season of one field, in the book or to come next, and the days to expect it by",
    (
        FIELD,
        SEASON,
        text("crop", "crop seeded or planned; null if none is planned yet"),
        flag("planned", "true if the crop is on the field book's sheet plans", required=True),
        day("seeded", "day of seeding; null before"),
        day("seeding_expected", "day of seeding to expect, by other seasons"),
        day("harvested", "day of harvest; null before"),
        day("harvest_expected", "day of harvest to expect, by other seasons"),
        text(
            "expected_from",
            "what the expected days are from: the crop's other seasons, the farm's, or the latitude",
            one_of=("crop", "farm", "latitude"),
        ),
        count("seasons", "other seasons behind the expected days", required=True),
        *completeness("share known of the two expected days"),
    ),
)
