"""How deep an operation went against the compacted layer, and how the soil was."""

from schemas.shared_columns import (
    CAUTION,
    COMPACTED_BOTTOM,
    CONE_INDEX_MAX,
    FIELD,
    FRIABLE,
    SOIL_STATES,
    WORK_DAY,
    WORK_DEPTH,
    WORK_PRACTICE,
    WORKED_STRIP,
    WORKING_DEPTH,
    completeness,
)
from schemas.table import Column, Compared, Table, Tier, count, day, flag, number, share, text


def _after(strip: str) -> tuple[Column, ...]:
    """Declare the layer of a strip in the first profiles pushed after the work."""
    named = f"the {strip} strip's compacted layer on that day; null where it has none"
    return (
        flag(f"after_{strip}_layer", f"whether the {strip} strip had a layer at 2 MPa or more"),
        number(f"after_{strip}_top_cm", "cm", f"top of {named}", 0, 200),
        number(f"after_{strip}_bottom_cm", "cm", f"bottom of {named}", 0, 200),
        number(f"after_{strip}_max_mpa", "MPa", f"highest cone index of {named}", 0, 20),
    )


TABLE = Table(
    "operation_depth",
    Tier.DERIVED,
    (
        "one operation with a working depth: the compacted layer it was meant for, how far it reached, "
        "the soil's state at that depth, and the layer after it"
    ),
    (
        FIELD,
        WORKED_STRIP,
        WORK_DAY,
        WORK_PRACTICE,
        count("working", "1 for the first working on record, 2 for the next", low=1, required=True),
        WORK_DEPTH,
        text(
            "layer_of",
            (
                "whose profile the layer is from: the worked strip's before its first working, else the "
                "check strip's, pushed next to the day of the work"
            ),
            one_of=("worked strip", "check strip"),
        ),
        day("profile_day", "day of that profile"),
        number("compacted_top_cm", "cm", "top of the compacted layer", 0, 200),
        COMPACTED_BOTTOM,
        CONE_INDEX_MAX,
        WORKING_DEPTH,
        text(
            "reach",
            "where the working depth lies against that layer",
            one_of=("above the layer", "in the layer", "below the layer"),
        ),
        number("short_of_bottom_cm", "cm", "how far above its bottom the work stopped, if so", 0),
        number("past_bottom_cm", "cm", "how far below its bottom the work reached, if so", 0),
        day(
            "soil_water_day", "the day of the soil's state, the nearest known (``operation_fuel``)"
        ),
        number("vwc_pct", "percent", "water content at the working depth on that day", 0, 100),
        share(
            "available_water_share",
            "where it stood between the lower limit (0) and the drained upper limit (1)",
            low=-10,
            high=10,
        ),
        *FRIABLE,
        text(
            "soil_state",
            "what that means for the work, by the limits beside it",
            one_of=SOIL_STATES,
        ),
        day("after_day", "day of the worked strip's first profile after the work"),
        *_after("treated"),
        *_after("check"),
        CAUTION,
        *completeness("share of layer, bottom and soil water that is known"),
    ),
    compared=Compared.TOGETHER,
)
