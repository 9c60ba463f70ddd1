"""What one audit found of one expectation."""

from schemas.table import Table, Tier, count, text, time

TABLE = Table(
    "audit_result",
    Tier.RECEIPT,
    "one expectation's outcome in one audit; those that held are kept for a fortnight of audits, the others for good",
    (
        time("audited_at", "when the audit began", key=True),
        text("table_name", "the table that was looked at", key=True),
        text("expectation", "what was expected, in a few words", key=True),
        text("column_name", "the column; empty where it is of the whole table", key=True),
        text("state", "how it came out", required=True, one_of=("held", "failed", "not evaluated")),
        text(
            "severity",
            "a failure means numbers that cannot be trusted, a warning that something wants a look",
            required=True,
            one_of=("failure", "warning"),
        ),
        count("looked", "rows that were looked at"),
        count("unmet", "rows that did not meet it"),
        text("examples", "some of what was found instead"),
        text("said", "what it means, in plain words; null where it held"),
        time(
            "looked_at",
            "when its rows were last looked at: earlier than audited_at, by a week at most, if "
            "neither they nor what is expected of them changed since",
        ),
    ),
    checksum=False,
)
