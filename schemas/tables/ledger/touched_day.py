"""A day whose readings or set-up changed since its daily row was made."""

from schemas.table import Table, Tier, day, text

TABLE = Table(
    "touched_day",
    Tier.RECEIPT,
    "one day of one instrument that waits to be reduced again",
    (
        text("instrument", "name of the station or probe", key=True),
        text("kind", "which of the two it is", key=True, one_of=("station", "probe")),
        day("day", "climatological day", key=True),
    ),
    checksum=False,
)
