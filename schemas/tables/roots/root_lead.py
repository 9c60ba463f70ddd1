"""By how many days the roots of the treated strip were ahead."""

from schemas.shared_columns import CROP, FIELD, SEASON, completeness
from schemas.table import Compared, Table, Tier, day, number, text

TABLE = Table(
    "root_lead",
    Tier.DERIVED,
    "one depth of a field in one season: when each strip's roots reached it, and the lead",
    (
        FIELD,
        SEASON,
        number("depth_cm", "cm", "depth of the sensors", 0, 1000, key=True),
        CROP,
        day("treated_day", "day on which the treated strip's roots reached the depth"),
        day("check_day", "day on which the check strip's roots reached the depth"),
        number(
            "lead_d",
            "day",
            (
                "days by which the treated strip was first, from the uptake of both strips "
                "together, so that it may differ by some days from check day minus treated day"
            ),
            -500,
            500,
        ),
        number(
            "lead_low_d",
            "day",
            (
                "lower end of the lead's 90 % interval; where only the treated strip is known to "
                "have got there, the lead is at least this"
            ),
            -500,
            500,
        ),
        number(
            "lead_high_d",
            "day",
            (
                "upper end of the lead's 90 % interval; where only the check strip is known to "
                "have got there, the lead is at most this"
            ),
            -500,
            500,
        ),
        text(
            "known",
            "which strips' roots are known to have reached the depth",
            required=True,
            one_of=("both", "treated only", "check only", "neither"),
        ),
        text("treated_state", "state of the treated strip's arrival"),
        text("check_state", "state of the check strip's arrival"),
        *completeness("the lesser of the two strips' coverages"),
    ),
    compared=Compared.ALONE,
)
