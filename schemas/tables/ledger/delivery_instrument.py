"""Which instruments a delivery speaks of."""

from schemas.shared_columns import INSTRUMENT, KIND_OF_INSTRUMENT
from schemas.table import Table, Tier, count

TABLE = Table(
    "delivery_instrument",
    Tier.RECEIPT,
    (
        "one instrument that a delivery has accepted readings of: a change of the set-up finds by "
        "it what must be read again"
    ),
    (
        count("sequence", "the delivery's place in the order of receipt", low=1, key=True),
        KIND_OF_INSTRUMENT,
        INSTRUMENT,
    ),
    checksum=False,
)
