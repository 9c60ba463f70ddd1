"""The day on which the crop's roots reached a sensor."""

from schemas.shared_columns import CROP, DEPTH, FIELD, SEASON, STRIP, UPTAKE_METHODS, completeness
from schemas.table import Compared, Table, Tier, count, day, text

TABLE = Table(
    "root_arrival",
    Tier.DERIVED,
    "one depth of one strip in one season: when sustained crop uptake began there",
    (
        FIELD,
        SEASON,
        STRIP,
        DEPTH,
        CROP,
        text(
            "state",
            (
                "what is known: reached; reached before the record of the season began, or perhaps "
                "before the winter; not seen to come while watched; not told (the reason says "
                "why); probe out"
            ),
            required=True,
            one_of=("reached", "before the record", "not seen", "not told", "probe out"),
        ),
        day("day", "day on which the root front passed the sensor"),
        day("earliest_day", "earliest day that fits nearly as well (90 % interval)"),
        day("latest_day", "latest day that fits nearly as well (90 % interval)"),
        day(
            "quiet_until_day",
            (
                "where the roots were not seen to come: the day up to which not even weak uptake "
                "is in the record; null where there is none"
            ),
        ),
        day(
            "possible_from",
            "day before which roots cannot have come: emergence, or the fastest front known",
        ),
        day("watched_from_day", "first day of the season with an uptake at this depth"),
        day("watched_to_day", "last day of the season with an uptake at this depth"),
        count("days", "days of the season with an uptake at this depth"),
        text("method", "how the uptake was made, on most days", one_of=UPTAKE_METHODS),
        *completeness("share of the days from emergence to harvest with an uptake"),
    ),
    compared=Compared.ALONE,
)
