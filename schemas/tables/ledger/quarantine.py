"""A refused row, value or delivery, with the reason."""

from schemas.table import Table, Tier, count, text

TABLE = Table(
    "quarantine",
    Tier.RECEIPT,
    "a refused value, row or whole delivery, with its cause, file and line",
    (
        text("delivery", "the arrival that it stood in", key=True, provenance=True),
        count(
            "line",
            "line of the file, from 1; 0 where the whole delivery was refused",
            key=True,
            provenance=True,
        ),
        text(
            "column_name",
            "column as the file names it; empty where the whole row or delivery was refused",
            key=True,
        ),
        text("source", "the source that it came by"),
        text("name", "file name", provenance=True),
        text("extent", "what was refused", required=True, one_of=("value", "row", "delivery")),
        text("cause", "short cause, the same words for the same fault", required=True),
        text("found", "what stood there"),
        text("expected", "what would have been accepted"),
        text("raw", "the line as it came, shortened at 2,000 characters"),
    ),
    # What was wrong with files is not what they say: the same rows in other files may be refused
    # one by one or with the whole file.
    checksum=False,
)
