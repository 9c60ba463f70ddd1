"""Whether the soil below the compacted layer is dry enough to be loosened."""

from schemas.table import Table, Tier, count, day, flag, number, partial, reason, share, text

TABLE = Table(
    "working_window",
    Tier.DERIVED,
    "one day of one strip since its first penetrometer profile: where to work and whether it is dry enough",
    (
        text("field", "name of the field", key=True),
        text("strip", "side of the trial", key=True, one_of=("treated", "check")),
        day("day", "climatological day", key=True),
        count("season", "harvest year of the standing crop; null where none stands", low=1900),
        day("profile_day", "day of the penetrometer profile in force"),
        count("places", "places that were pushed on that day"),
        number(
            "range_share_at_push",
            "1",
            "where the soil at the compacted layer stood that day between dry (0) and full point (1): a dry soil pushes harder than it is compacted",
            -10,
            10,
        ),
        number("cone_index_max_mpa", "MPa", "highest cone index of the compacted layer", 0, 20),
        number("compacted_top_cm", "cm", "top of the compacted layer", 0, 200),
        number("compacted_bottom_cm", "cm", "bottom of the compacted layer", 0, 200),
        number("working_depth_cm", "cm", "depth to work at, just below the layer", 0, 250),
        number(
            "range_share",
            "1",
            "where the soil at working depth stands between its dry point (0) and its full point (1)",
            -10,
            10,
        ),
        text(
            "state",
            "what the soil at working depth is likely to do",
            one_of=("very dry", "dry enough", "borderline", "too wet"),
        ),
        flag(
            "dry_enough",
            "true where it should shatter and not smear; null where that cannot be told",
        ),
        text("caution", "to be shown wherever this row is shown", required=True),
        share("coverage", "share of the day with water content at working depth"),
        partial(),
        reason(),
    ),
)
