"""What evens a sensor's record: the steps so far in the spell of its probe, taken off.

A probe that is set again sits in other soil, so each spell begins without an offset.
"""

from datetime import timedelta

import polars as pl

from schemas import generated
from schemas.tables.soil.soil_offset import TABLE

PART = "probe"

DAY = timedelta(days=1)


def derive(soil_step: pl.DataFrame, probe_spell: pl.DataFrame) -> pl.DataFrame:
    """One row a step and what holds since. Offsets in %."""
    next_set = pl.col("set").shift(-1).over("probe")
    spells = (
        probe_spell.select("probe", "to_day", set="from_day")
        .sort("probe", "set")
        .with_columns(end=pl.min_horizontal("to_day", next_set - DAY))
    )
    ended = pl.col("day") > pl.col("end")
    rows = (
        soil_step.join(spells, on="probe")
        .filter((pl.col("day") >= pl.col("set")) & ~ended.fill_null(False))
        .sort("probe", "depth_cm", "day")
    )
    spell = ["probe", "depth_cm", "set"]
    rows = rows.select(
        "probe",
        "depth_cm",
        from_day="day",
        to_day=pl.coalesce(pl.col("day").shift(-1).over(spell) - DAY, "end"),
        offset_pct=(-pl.col("step_pct").cum_sum().over(spell)).clip(-100, 100),
    )
    return generated.conform(rows, TABLE).sort(TABLE.key)
