"""The unexplained steps among the checks of a sensor (``soil_quality_day``): a few rows of many years."""

import polars as pl

from schemas import generated
from schemas.tables.soil.soil_step import TABLE

PART = "probe year"


def derive(soil_quality_day: pl.DataFrame) -> pl.DataFrame:
    """One row a step. Its size in %."""
    return generated.conform(soil_quality_day.filter("step").select(TABLE.names), TABLE)
