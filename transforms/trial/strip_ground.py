"""What maps of the ground say of the strips: mean and spread, season by season.

A map's values lie on an even grid within the outlines, so the plain mean is that of the area. A season has
the outlines that name it, else those that name none.
"""

import polars as pl

from schemas import generated
from schemas.tables.trial.strip_ground import TABLE
from transforms.trial.methods.map_geometry import as_book

OUTLINE = ["field", "strip", "part"]


def derive(
    ground_point: pl.DataFrame, strip_outline: pl.DataFrame, season: pl.DataFrame
) -> pl.DataFrame:
    """Mean and spread of each map in each strip; no row for a map that has no value in a strip."""
    names = season.select("field").unique()
    outlines = as_book(strip_outline, names).select(*OUTLINE, of="season")
    here = season.select("field", "season").unique().join(outlines, on="field")
    own = (pl.col("of") == pl.col("season")).fill_null(False)
    chosen = here.filter(
        pl.when(own.any().over("field", "season")).then(own).otherwise(pl.col("of").is_null())
    )
    value = pl.col("value")
    found = (
        chosen.join(as_book(ground_point, names), on=OUTLINE)
        .group_by("field", "season", "strip", "ground_map")
        .agg(mean=value.mean(), spread=value.std(), points=value.count(), places=pl.len())
        .filter(pl.col("points") > 0)
        .with_columns(coverage=pl.col("points") / pl.col("places"))
        .with_columns(
            partial=pl.col("coverage") < 1,
            reason=pl.when(pl.col("coverage") < 1).then(
                pl.lit("the map does not cover the whole strip")
            ),
        )
    )
    return generated.conform(found.select(TABLE.names), TABLE).sort(TABLE.key)
