"""The share of the evaporation from the soil that a field's topmost sensors see.

The sum of their layers' falls over the sum of the evaporation, on all bare days so far
(``evaporation_bare``). Rounded, since each bare day moves it a little and the uptakes of all years with it.
"""

import polars as pl

from schemas import generated
from schemas.tables.roots.evaporation_seen import TABLE

PART = "field"

LEAST_BARE_DAYS = 20
LEAST_BARE_MM = 5.0  # of evaporation on them
MOST_SEEN = 2.0  # a sensor that swings more than its layer does
DECIMALS = 2


def derive(evaporation_bare: pl.DataFrame) -> pl.DataFrame:
    """One row a field and depth with enough bare days."""
    c = pl.col
    rows = (
        evaporation_bare.group_by("field", "depth_cm")
        .agg(c("days", "fall_mm", "evaporation_mm").sum())
        .filter((c("days") >= LEAST_BARE_DAYS) & (c("evaporation_mm") >= LEAST_BARE_MM))
    )
    share = (c("fall_mm") / c("evaporation_mm")).clip(0.0, MOST_SEEN).round(DECIMALS)
    rows = rows.with_columns(seen_share=share)
    return generated.conform(rows.select(TABLE.names), TABLE).sort(TABLE.key)
