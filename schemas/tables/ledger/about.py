"""What the warehouse says about itself."""

from schemas.table import Table, Tier, text

TABLE = Table(
    "about",
    Tier.RECEIPT,
    "one fact about the warehouse itself",
    (
        text("fact", "what it is: schema_version, program_version, made_at and so on", key=True),
        text("value", "its value"),
    ),
    checksum=False,
)
