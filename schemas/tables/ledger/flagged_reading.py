"""A value that its network flagged as suspect or frozen."""

from schemas.flags import WITHHELD
from schemas.table import Table, Tier, number, text, time

TABLE = Table(
    "flagged_reading",
    Tier.RECEIPT,
    (
        "a value that its network flagged as suspect or frozen: it is kept here and left out of the "
        "readings, so no later table uses it"
    ),
    (
        text("instrument", "station or probe", key=True),
        number("depth_cm", "cm", "sensor depth; -1 for a station", key=True),
        time("time", "end of the interval of the reading", key=True),
        text("quantity_column", "the column of the reading table", key=True),
        number("value", "1", "the value, in the unit of its column", required=True),
        text("flag", "the flag as the file has it", required=True),
        text("meaning", "what the layout says that it means", required=True, one_of=WITHHELD),
        text("delivery", "the delivery that brought it", provenance=True),
    ),
)
