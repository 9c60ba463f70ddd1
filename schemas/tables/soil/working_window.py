"""Whether the soil below the compacted layer is dry enough to be loosened."""

from schemas.shared_columns import (
    CAUTION,
    COMPACTED_BOTTOM,
    CONE_INDEX_MAX,
    DAY,
    FIELD,
    FRIABLE,
    SOIL_STATES,
    STRIP,
    WORKING_DEPTH,
    completeness,
)
from schemas.table import Table, Tier, count, day, flag, number, share, text

TABLE = Table(
    "working_window",
    Tier.DERIVED,
    "one day of one strip since its first penetrometer profile: where to work and whether it is dry enough",
    (
        FIELD,
        STRIP,
        DAY,
        count("season", "harvest year of the standing crop; null where none stands", low=1900),
        day("profile_day", "day of the penetrometer profile in force"),
        count("places", "places that were pushed on that day"),
        share(
            "available_water_share_at_push",
            (
                "where the soil at the compacted layer stood that day between its lower limit (0) and its drained "
                "upper limit (1): a dry soil pushes harder than it is compacted"
            ),
            low=-10,
            high=10,
        ),
        CONE_INDEX_MAX,
        number("compacted_top_cm", "cm", "top of the compacted layer", 0, 200),
        COMPACTED_BOTTOM,
        WORKING_DEPTH,
        share(
            "available_water_share",
            "where the soil at working depth stands between its lower limit (0) and its drained upper limit (1)",
            low=-10,
            high=10,
        ),
        *FRIABLE,
        text(
            "state",
            "what that means for the work, by the limits beside it",
            one_of=SOIL_STATES,
        ),
        flag(
            "dry_enough",
            "true up to the wetter limit: it should break and not smear; null if unknown",
        ),
        CAUTION,
        *completeness("share of the day with water content at working depth"),
    ),
)
