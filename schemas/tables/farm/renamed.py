"""A field, strip, station or probe that had another name before."""

from dataclasses import replace

from schemas.shared_columns import FIELD, NOTES
from schemas.table import Table, Tier, text

KINDS = ("field", "strip", "station", "probe")

TABLE = Table(
    "renamed",
    Tier.SETUP,
    "one former name, from the field book: wherever it stands, today's name is meant",
    (
        text("kind", "what was renamed", key=True, one_of=KINDS),
        text("old_name", "the name that it had, as older files have it", key=True),
        replace(
            FIELD,
            meaning="the field whose strip it is; 'all' for a strip of any field, and for all else",
        ),
        text("new_name", "the name that it has today", required=True),
        NOTES,
    ),
)
