"""Which strips of a field are compared."""

from schemas.compared import AGAINST, STRIP
from schemas.shared_columns import FIELD, PRACTICE
from schemas.table import Table, Tier, text

TABLE = Table(
    "comparison",
    Tier.DERIVED,
    "one strip of a field and the strip beside it that it is compared with",
    (
        FIELD,
        STRIP,
        AGAINST,
        text(
            "name",
            "how pages call it: the field where its strips are treated and check, else both strips too",
            required=True,
        ),
        PRACTICE,
        text(
            "worked_with",
            "the practice as its operations have it: the same unless both strips were worked",
        ),
        text(
            "against_role",
            "whether the strip compared with is a check, or was treated itself (worked once)",
            one_of=("treated", "check"),
            required=True,
        ),
    ),
)
