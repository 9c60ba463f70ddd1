"""What became of one farm in one round of a network."""

from schemas.shared_columns import FARM_ID
from schemas.table import Table, Tier, number, text, time

TABLE = Table(
    "network_run",
    Tier.NETWORK,
    "one farm in one round over hosted farms, if it says something else than the farm's row before",
    (
        text("round", "id of the round", key=True),
        FARM_ID,
        time("started_at", "when the farm's turn began"),
        time("ended_at", "when it ended"),
        text(
            "state",
            "how it ended: quiet is nothing new, refused a farm file that may not be run",
            required=True,
            one_of=("quiet", "done", "attention", "failed", "refused"),
        ),
        text("summary", "what was done, or what went wrong, in a sentence"),
        text("worker", "worker that did it"),
        number("cpu_s", "s", "processor time that it took", 0),
        number("wall_s", "s", "time that it took", 0),
        number(
            "peak_mb", "MB", "most memory that its process held, the loaded program included", 0
        ),
        text("program", "version of the program"),
    ),
)
