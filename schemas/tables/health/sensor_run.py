"""Days on end on which one thing is so of a sensor of a probe: values heard, checks made, what was found."""

from dataclasses import replace

from schemas.shared_columns import DEPTH, PROBE
from schemas.table import Table, Tier, day, text

ROW, VALUE = "row", "any value"
WATER, TEMPERATURE = "water content", "soil temperature"
RECORDED = "a quarter of its readings"
CHECKED = "checked for "
STUCK, IMPOSSIBLE = "stuck", "impossible"
DISTURBED, EXCHANGED = "probe disturbed", "depths exchanged"
# What is found, and the run of days on which it was looked for.
LOOKED_FOR = {
    STUCK: CHECKED + STUCK,
    IMPOSSIBLE: CHECKED + IMPOSSIBLE,
    DISTURBED: CHECKED + "moves",
    EXCHANGED: CHECKED + "moves",
}
WHAT = tuple(
    dict.fromkeys(
        (ROW, VALUE, WATER, TEMPERATURE, RECORDED, *LOOKED_FOR.values(), *LOOKED_FOR.keys())
    )
)

TABLE = Table(
    "sensor_run",
    Tier.DERIVED,
    (
        "days on end, of one calendar year, on which one thing is so of one sensor of a probe: it has a "
        "row or a value, was checked, or the check found something"
    ),
    (
        PROBE,
        replace(
            DEPTH,
            meaning="depth of the sensor; of moves and exchanged depths, which are of a probe, the upper one",
        ),
        text("what", "what is so on each of these days", key=True, one_of=WHAT),
        day("day", "first day of the run", key=True),
        day("to_day", "last day of the run", required=True),
    ),
)
