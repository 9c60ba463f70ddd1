"""A snapshot of a network."""

from schemas.table import Table, Tier, count, text, time

TABLE = Table(
    "network_snapshot",
    Tier.NETWORK,
    "one file of the snapshot: a table over all farms that readers may see",
    (
        count("sequence", "number of the snapshot", key=True, low=1),
        text("table_name", "name of the table", key=True),
        time("made_at", "when the snapshot was made", required=True),
        text("object", "key of its Parquet file in the store; it never changes", required=True),
        count("rows", "rows of the table", required=True),
        count("bytes", "size of the file in bytes", required=True),
    ),
)
