"""Observations of one field and day, treated beside check."""

from schemas.shared_columns import (
    FIELD,
    OBSERVED,
    OBSERVED_DEPTH,
    OBSERVED_LAYER,
    PRACTICE,
    completeness,
)
from schemas.table import Compared, Table, Tier, count, day, flag, number, text

TABLE = Table(
    "observation_pair",
    Tier.DERIVED,
    "one quantity observed in a field on a day at one depth: treated beside check",
    (
        FIELD,
        day("day", "day of the observation", key=True),
        OBSERVED,
        OBSERVED_LAYER,
        text("unit", "the unit of the values", key=True),
        OBSERVED_DEPTH,
        number("treated_value", "1", "mean of the treated strip's places, in the unit of the row"),
        number("check_value", "1", "mean of the check strip's places, in the unit of the row"),
        number("difference", "1", "treated minus check, in the unit of the row"),
        number(
            "difference_se",
            "1",
            "its standard error from the places; null under two places a strip",
            0,
        ),
        number("difference_pct", "percent", "the same in percent of the check; null at 0 or below"),
        count("treated_places", "places of the treated strip", required=True),
        count("check_places", "places of the check strip", required=True),
        PRACTICE,
        day("operation_day", "day of the last work on the treated strip before; null before any"),
        number("years_since", "1", "years from that work to the observation", 0),
        flag("check_worked", "true where the check strip had been worked too by then"),
        number(
            "treated_front_cm", "cm", "beside roots: root front by the treated strip's probe", 0
        ),
        number("check_front_cm", "cm", "beside roots: root front by the check strip's probe", 0),
        *completeness("share of the two strips that was observed"),
    ),
    compared=Compared.TOGETHER,
)
