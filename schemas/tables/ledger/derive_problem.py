"""What could not be made, or was left out of what was made."""

from schemas.table import Table, Tier, day, text

TABLE = Table(
    "derive_problem",
    Tier.RECEIPT,
    "one thing that is wrong with the daily and derived tables as they are: a value or row that "
    "was left out because it breaks its declaration, or a table that could not be made",
    (
        text("table_name", "the table", key=True),
        text("column_name", "the column; empty if it is the whole row or table", key=True),
        text("row_key", "the row, by the columns of its key; empty for the whole table", key=True),
        text(
            "lost",
            "what is missing because of it; a table has the rows of its last good run",
            required=True,
            one_of=("value", "row", "table"),
        ),
        text("value", "the value as it was computed; null if there was none"),
        text("reason", "what is wrong with it, or why the table could not be made", required=True),
        text("instrument", "station or probe of the row; null if its table has none"),
        day("day", "day of the row; null if its table has none"),
    ),
    # How it was made is not what it says; a table that could not be made is left out of the sum too.
    checksum=False,
)
