"""The vegetation index of a field on a day, treated beside check."""

from schemas.shared_columns import CROP, FIELD, completeness, interval
from schemas.table import Compared, Table, Tier, count, day, number, text

TABLE = Table(
    "vegetation_pair",
    Tier.DERIVED,
    "the vegetation index of a field on one day by one source, treated beside check",
    (
        FIELD,
        day("day", "day of the image or observation", key=True),
        text("source", "where it is from: a folder of images/, or observed", key=True),
        count("season", "harvest year of the standing crop; null outside seasons", low=1900),
        CROP,
        number("treated_index", "1", "mean of the treated strip", -1, 1),
        number("check_index", "1", "mean of the check strip", -1, 1),
        number("difference", "1", "treated minus check", -2, 2),
        *interval(
            "difference",
            "1",
            "its 95 % interval: what the ground under the strips may differ by",
        ),
        *completeness("clear share of the strip that has less"),
    ),
    compared=Compared.ALONE,
)
