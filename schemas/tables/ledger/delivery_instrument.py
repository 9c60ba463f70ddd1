"""Which instruments a delivery speaks of."""

from schemas.table import Table, Tier, count, text

TABLE = Table(
    "delivery_instrument",
    Tier.RECEIPT,
    "one instrument that a delivery has accepted readings of: a change of the set-up finds by it what must be read again",
    (
        count("sequence", "the delivery's place in the order of receipt", low=1, key=True),
        text("kind", "which of the two it is", key=True, one_of=("station", "probe")),
        text("instrument", "name of the station or probe", key=True),
    ),
    checksum=False,
)
