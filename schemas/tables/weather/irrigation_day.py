"""Water applied to each strip by irrigation, day by day."""

from schemas.shared_columns import DAY, FIELD, STANDING_SEASON, STRIP, completeness
from schemas.table import Table, Tier, count, day, flag, number, text

TABLE = Table(
    "irrigation_day",
    Tier.DERIVED,
    (
        "one strip on one day of which an irrigation is on record, or on which a water meter stood; a "
        "field without any row is dry-land"
    ),
    (
        FIELD,
        STRIP,
        DAY,
        number(
            "irrigation_mm",
            "mm",
            "depth of water applied, as given or metered; null where it is not known",
            0,
        ),
        text(
            "irrigation_from",
            "which record it is",
            one_of=("field book", "water meter"),
        ),
        text("source", "where the water came from: the field book's words, or the meters' names"),
        day(
            "irrigation_since_day",
            "first day of the depth: earlier than day where a running total bridged a gap",
        ),
        flag(
            "in_later_total",
            "true where the day's water, if any, is in the total of a later day",
            required=True,
        ),
        number("book_mm", "mm", "depth by the field book", 0),
        number("meter_mm", "mm", "depth by the water meters", 0),
        number("week_to_date_mm", "mm", "depth known since Monday", 0),
        count("week_to_date_unknown_d", "days since Monday of which the depth is not known"),
        STANDING_SEASON,
        number("season_to_date_mm", "mm", "depth known since seeding; null outside seasons", 0),
        count("season_to_date_unknown_d", "days since seeding of which the depth is not known"),
        *completeness("share of the day that the record is of"),
    ),
)
