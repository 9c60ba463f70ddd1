"""The depths at which both strips of a field have soil water, from one harvest to the next.

A sum of layers from day to day means something only if it is always of the same layers. So the
depths are chosen once for each crop year (the day after a harvest to the next harvest; before the
first harvest from the beginning of the record, after the last one to its end), and are the same in
both strips.

**Choice.** Depths are taken in the order of the number of days on which every strip has them. Of
the sets that begin with the best one, that with the most layer-days is used: the number of depths
times the number of days on which every strip has all of them. So a sensor that dies early in the
year is left out of the whole year, and one that fails for a week costs that week. The rule is our
own; there is no published one.

**Layers** are rebuilt from the chosen depths (``soil_layers``), so they have the same thickness in
both strips even where the strips' other sensors differ.
"""

import polars as pl

from transforms.methods.crop_days import with_crop_year
from transforms.soil.methods.soil_layers import with_layers

YEAR = ["field", "since"]
DEPTH = [*YEAR, "depth_cm"]


def common_layers(soil_water_day: pl.DataFrame, season: pl.DataFrame) -> pl.DataFrame:
    """Return water content by field, strip, depth and day at the common depths of each crop year.

    Columns: ``field``, ``strip``, ``depth_cm``, ``day``, ``since`` (``with_crop_year``),
    ``vwc_pct`` and the layer's two limits (means where two probes of a strip have one depth; a null
    value stays a row), ``layer_top_cm`` and ``layer_bottom_cm``, and ``strips``, the number of
    strips that have a probe in that crop year.
    """
    rows = (
        soil_water_day.filter(pl.col("field").is_not_null() & pl.col("strip").is_not_null())
        .group_by("field", "strip", "depth_cm", "day")
        .agg(pl.col("vwc_pct", "drained_upper_limit_pct", "lower_limit_pct").mean())
    )
    rows = with_crop_year(rows, season)
    live = rows.filter(pl.col("vwc_pct").is_not_null())
    strips = live.group_by(YEAR).agg(strips=pl.col("strip").n_unique())
    chosen = with_layers(_chosen(live.join(strips, on=YEAR)), YEAR)
    known_strips = live.select(*YEAR, "strip").unique()
    return (
        rows.join(known_strips, on=[*YEAR, "strip"], how="semi")
        .join(chosen, on=DEPTH)
        .join(strips, on=YEAR)
    )


def _chosen(live: pl.DataFrame) -> pl.DataFrame:
    """Return field, crop year and depth of the chosen sets, from the rows that have a value."""
    there = (
        live.group_by(*DEPTH, "day")
        .agg(n=pl.col("strip").n_unique(), strips=pl.col("strips").first())
        .filter(pl.col("n") == pl.col("strips"))
    )
    ranked = (
        there.group_by(DEPTH)
        .agg(days=pl.len())
        .sort(*YEAR, "days", "depth_cm", descending=[False, False, True, False])
        .with_columns(rank=pl.int_range(1, pl.len() + 1).over(YEAR))
    )
    # On a day on which the depths of rank 1 to k are there, and k + 1 is not, k sets are whole.
    whole = (
        there.join(ranked, on=DEPTH)
        .sort(*YEAR, "day", "rank")
        .with_columns(place=pl.int_range(1, pl.len() + 1).over(*YEAR, "day"))
        .filter(pl.col("rank") == pl.col("place"))
        .group_by(*YEAR, "rank")
        .agg(whole_days=pl.len())
    )
    best = (
        whole.with_columns(layer_days=pl.col("rank") * pl.col("whole_days"))
        .sort(*YEAR, "layer_days", "rank", descending=[False, False, True, True])
        .unique(YEAR, keep="first", maintain_order=True)
        .select(*YEAR, most="rank")
    )
    return ranked.join(best, on=YEAR).filter(pl.col("rank") <= pl.col("most")).select(DEPTH)
