"""A farm of a network."""

from schemas.shared_columns import FARM_ID
from schemas.table import Table, Tier, count, number, text, time

TABLE = Table(
    "network_farm",
    Tier.NETWORK,
    "one farm of the network, as the snapshot has it",
    (
        FARM_ID,
        text(
            "share",
            "what it shares: pooled counts in answers over many farms only, named is seen by itself",
            required=True,
            one_of=("pooled", "named"),
        ),
        text("name", "name of the farm; null if it is not named"),
        number(
            "latitude_deg",
            "degree",
            "latitude of a named farm, rounded to the network's grid",
            -90,
            90,
        ),
        number(
            "longitude_deg",
            "degree",
            "longitude of a named farm, rounded to the network's grid",
            -180,
            180,
        ),
        text("currency", "currency of its money; null if it shares none"),
        count("published", "how often it published something new", required=True, low=1),
        time("published_at", "when it last did", required=True),
        text("program", "version of the program that did", required=True),
        text("pointer", "tag of its pointer in the store: as long as it stays, its rows do"),
        text("reason", "why its rows are not in the snapshot; null if they are"),
    ),
)
