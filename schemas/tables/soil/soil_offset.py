"""What is added to a sensor's water content so that its record is even across unexplained steps."""

from schemas.shared_columns import DEPTH, PROBE
from schemas.table import Table, Tier, day, number

TABLE = Table(
    "soil_offset",
    Tier.DERIVED,
    "one sensor of a probe from one unexplained step to the next",
    (
        PROBE,
        DEPTH,
        day("from_day", "day of the step, the first that it holds for", key=True),
        day("to_day", "last day that it holds for; null while it does"),
        number("offset_pct", "percent", "water content to add to that of the sensor", -100, 100),
    ),
)
