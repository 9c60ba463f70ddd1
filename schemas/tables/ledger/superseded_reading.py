"""A reading that a later delivery replaced."""

from schemas.table import Table, Tier, number, text, time

TABLE = Table(
    "superseded_reading",
    Tier.RECEIPT,
    "a value that a later delivery contradicted: the later stands, the earlier is kept here",
    (
        text("instrument", "station or probe", key=True),
        number("depth_cm", "cm", "sensor depth; -1 for a station", key=True),
        time("time", "end of the interval of the reading", key=True),
        text("quantity_column", "the column of the reading table", key=True),
        text("delivery", "the delivery that brought the earlier value", key=True, provenance=True),
        text(
            "later_delivery", "the delivery that brought the later value", key=True, provenance=True
        ),
        number("value", "1", "the earlier value, in the unit of its column"),
        number("later_value", "1", "the later value, which stands, in the unit of its column"),
    ),
)
