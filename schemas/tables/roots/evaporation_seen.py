"""How much of the evaporation from the soil a field's topmost sensors see."""

from schemas.shared_columns import DEPTH, FIELD
from schemas.table import Compared, Table, Tier, share

TABLE = Table(
    "evaporation_seen",
    Tier.DERIVED,
    "the depth of a topmost sensor of a field, where enough bare days show what it sees",
    (
        FIELD,
        DEPTH,
        share("seen_share", "share of the evaporation that sensors at this depth see", high=2),
    ),
    compared=Compared.ALONE,
)
