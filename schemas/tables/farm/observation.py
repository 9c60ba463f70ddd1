"""What a person saw or measured on a strip on a day."""

from schemas.shared_columns import FIELD, NOTES, OBSERVED, OBSERVED_DEPTH, OBSERVED_LAYER
from schemas.table import Table, Tier, day, number, text

TABLE = Table(
    "observation",
    Tier.SETUP,
    "one thing seen or measured by a person on a strip on a day, from the field book",
    (
        FIELD,
        text(
            "strip",
            "the strip it is of; both for the whole field, which is compared with nothing",
            key=True,
        ),
        day("day", "day of the observation", key=True),
        OBSERVED,
        OBSERVED_LAYER,
        text("place", "which one, where there were several in one day", key=True),
        OBSERVED_DEPTH,
        number("value", "1", "its value, in the unit beside it; null where only seen or pictured"),
        text("unit", "the unit of the value, as written; 1 for a pure number"),
        text(
            "base_unit",
            "what its unit is measured in: values of one base unit can be compared; null if not known",
        ),
        number("unit_factor", "1", "what a value in its unit is multiplied by to be in base units"),
        text("file", "name of a photograph's file"),
        NOTES,
    ),
)
