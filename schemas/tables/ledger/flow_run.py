"""A run of one flow."""

from schemas.table import Table, Tier, text, time

TABLE = Table(
    "flow_run",
    Tier.RECEIPT,
    "one run of one flow",
    (
        text("flow", "name of the flow", key=True),
        time("started_at", "when it began", key=True),
        time("ended_at", "when it ended"),
        text("state", "how it ended", required=True, one_of=("done", "attention", "failed")),
        text("summary", "what it did, in a sentence"),
    ),
    checksum=False,
)
