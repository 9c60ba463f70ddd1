"""A probe taken out of the soil and set back."""

from dataclasses import replace

from schemas.shared_columns import NOTES, PROBE
from schemas.table import Table, Tier, day

TABLE = Table(
    "lift",
    Tier.SETUP,
    "one lift of a probe, from the field book: it cuts the spell in which it lies",
    (
        replace(PROBE, meaning="name of the probe; 'all' for every probe that stood then"),
        day("out_day", "day on which it was taken out", key=True),
        day("in_day", "day on which it was set back; null while it is out"),
        NOTES,
    ),
)
