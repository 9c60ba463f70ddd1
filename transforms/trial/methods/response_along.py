"""Treated minus check along mapped strips, section by section."""

from __future__ import annotations

import numpy as np
import polars as pl

from transforms.trial.methods.trial_statistics import alike_neighbours

SITE_YEAR = ["field", "season"]
SECTION_M = 20.0  # length of a section along mapped strips: several points of a usual monitor
LEAST_SECTIONS = 12  # for an interval


def sections(points: pl.DataFrame) -> pl.DataFrame:
    """Treated minus check by sections along mapped strips, and the interval of their mean."""
    kept = points.filter(
        pl.col("kept")
        & pl.col("strip").is_not_null()
        & pl.col("yield_kg_ha").is_not_null()
        & pl.col("east_m").is_not_null()
        & pl.col("north_m").is_not_null()
    )
    rows = []
    for (name, season), group in kept.group_by(SITE_YEAR, maintain_order=True):
        place = group.select("east_m", "north_m").to_numpy()
        centred = place - place.mean(axis=0)
        # The strips' long axis is that of the points' greatest spread.
        axis = np.linalg.svd(centred, full_matrices=False)[2][0]
        axis = axis * (1.0 if axis[np.argmax(np.abs(axis))] > 0 else -1.0)
        section = np.floor(centred @ axis / SECTION_M).astype(np.int64)
        by_side = (
            group.select("strip", "yield_kg_ha")
            .with_columns(section=pl.Series(section))
            .group_by("section", "strip")
            .agg(pl.col("yield_kg_ha").mean())
            .pivot(on="strip", index="section", values="yield_kg_ha")
        )
        if not {"treated", "check"} <= set(by_side.columns):
            continue
        both = by_side.drop_nulls().sort("section")
        d = (both["treated"] - both["check"]).to_numpy()
        row: dict[str, object] = {"field": name, "season": season, "map_sections": d.size}
        if d.size:
            row["map_response_kg_ha"] = float(d.mean())
        if d.size >= LEAST_SECTIONS:
            found = alike_neighbours(d)
            row |= {"map_low_kg_ha": found.low, "map_high_kg_ha": found.high}
        rows.append(row)
    return pl.DataFrame(
        rows,
        schema={
            "field": pl.String,
            "season": pl.Int64,
            "map_sections": pl.Int64,
            "map_response_kg_ha": pl.Float64,
            "map_low_kg_ha": pl.Float64,
            "map_high_kg_ha": pl.Float64,
        },
    )
