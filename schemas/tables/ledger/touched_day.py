"""A day whose readings or set-up changed since its daily row was made."""

from schemas.shared_columns import DAY, INSTRUMENT, KIND_OF_INSTRUMENT
from schemas.table import Table, Tier

TABLE = Table(
    "touched_day",
    Tier.RECEIPT,
    "one day of one instrument that waits to be reduced again",
    (INSTRUMENT, KIND_OF_INSTRUMENT, DAY),
    checksum=False,
)
