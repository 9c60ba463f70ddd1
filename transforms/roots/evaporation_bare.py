"""Bare days at the surface: what the topmost layer lost on them, and what evaporated.

On a day without a crop all that the layer loses without rain, by balance (``layer_uptake``), is evaporation.
"""

import polars as pl

from schemas import generated
from schemas.tables.roots.evaporation_bare import TABLE
from transforms.roots.methods import layer_uptake

PART = "field season"
MARGIN_MONTHS = 1  # the day before, and the day after


def derive(  # noqa: PLR0917 - the tables that it is made from
    soil_water_day: pl.DataFrame,
    soil_pulse_day: pl.DataFrame,
    weather_used_day: pl.DataFrame,
    irrigation_day: pl.DataFrame,
    evaporation_day: pl.DataFrame,
    season: pl.DataFrame,
) -> pl.DataFrame:
    """One row a field, depth and crop year with such days. Water in mm."""
    c = pl.col
    topmost = soil_water_day.filter(c("layer_top_cm") == 0)
    rows = layer_uptake.by_day(topmost, soil_pulse_day, weather_used_day, irrigation_day, season)
    found = (
        layer_uptake.with_evaporation(rows, evaporation_day)
        .filter(c("at_surface") & ~c("growing") & c("lost_mm").is_not_null())
        .group_by("field", "depth_cm", "since")
        .agg(
            c("day").min(),
            days=pl.len().cast(pl.Int64),
            fall_mm=c("uptake_mm").sum(),
            evaporation_mm=c("lost_mm").sum(),
        )
    )
    return generated.conform(found.select(TABLE.names), TABLE).sort(TABLE.key)
