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
        number("treated_se", "1", "standard error of the treated strip's mean", 0),
        number("check_se", "1", "standard error of the check strip's mean", 0),
        number("difference_se", "1", "standard error of the difference", 0),
        *interval(
            "difference",
            "1",
            "its 95 % interval; neighboring pixels count as alike as they are",
        ),
        number("least_pixels", "1", "independent pixels of the strip that has fewer", 1),
        *completeness("clear share of the strip that has less"),
    ),
    compared=Compared.ALONE,
)
