"""Treated minus check by kind of ground along mapped strips: better everywhere, or only on the hill?

The sections of ``response_along`` are sorted by what a map of the ground says of them: into its classes if it
has few (a soil map), else into thirds of the sections by its value (an elevation). A section counts only if
both strips have like ground there: the same class on both sides, or a value of both. The kinds are compared by
``ground_parts``. What it claims where nothing was applied: ``tests/bench/FIGURES.md``.
"""

import numpy as np
import polars as pl
from scipy.spatial import cKDTree

from schemas import generated
from schemas.tables.trial.response_by_ground import TABLE
from transforms.trial.methods.ground_parts import Law, by_part, verdict
from transforms.trial.methods.map_geometry import as_book, plane, with_border
from transforms.trial.methods.map_sections import by_section

SITE_YEAR = ["field", "season"]
GROUP = [*SITE_YEAR, "ground_map"]
# Set on the first half of published uniformity trials by their slopes, judged on the other half (FIGURES.md).
ALONG = Law(0.6, 6.0)
MOST_CLASSES = 6  # whole numbers: a map of classes; more, or others, are measured
LEAST_OF_KIND = 3  # sections, for a kind of ground to be compared
REACH_M = 10.0  # from a point to the nearest place of the grid that maps are laid on
KINDS = ("low", "middle", "high")


def derive(
    yield_point_cleaned: pl.DataFrame,
    yield_point: pl.DataFrame,
    mapped_pass: pl.DataFrame,
    ground_point: pl.DataFrame,
    season: pl.DataFrame,
) -> pl.DataFrame:
    """A row for each kind of ground that the strips compared have, by map and season.

    None for a season whose mapped passes are not compared (``mapped_pass``), nor for ground that lies all
    in one kind. ``p_adjusted`` allows for the number of a season's maps (Bonferroni).
    """
    compared = mapped_pass.filter(pl.col("block").is_not_null())
    kept = yield_point_cleaned.filter("kept").join(compared, on=SITE_YEAR, how="semi")
    names = season.select("field").unique()
    key = [*SITE_YEAR, "map_file", "point"]
    places = as_book(yield_point, names).select(*key, "longitude_deg", "latitude_deg")
    kept = with_border(kept).join(places, on=key, maintain_order="left")
    maps = as_book(ground_point, names).drop_nulls("value")
    found = [
        by_section(_laid(points, one), classes=_is_of_classes(one)).with_columns(
            ground_map=pl.lit(one["ground_map"][0])
        )
        for points in kept.partition_by(SITE_YEAR, maintain_order=True)
        for one in maps.filter(pl.col("field") == points["field"][0]).partition_by(
            "ground_map", maintain_order=True
        )
    ]
    if not found:
        return generated.empty(TABLE)
    made = compared_by_kind(pl.concat(found))
    crops = season.select(*SITE_YEAR, "crop").unique(SITE_YEAR)
    return generated.conform(made.join(crops, on=SITE_YEAR, how="left"), TABLE).sort(TABLE.key)


def _is_of_classes(ground: pl.DataFrame) -> bool:
    values = ground["value"].unique()
    return len(values) <= MOST_CLASSES and bool((values == values.round()).all())


def _laid(points: pl.DataFrame, ground: pl.DataFrame) -> pl.DataFrame:
    """Add ``ground``: the map's value at the place of its grid nearest to each point; null beyond ``REACH_M``."""
    columns = ("longitude_deg", "latitude_deg")
    there, here = ground.select(columns).to_numpy(), points.select(columns).to_numpy()
    middle = there.mean(axis=0)
    far, at = cKDTree(plane(there, middle)).query(plane(here, middle))
    value = np.where(far <= REACH_M, ground["value"].to_numpy()[at], np.nan)
    return points.with_columns(ground=pl.Series(value, nan_to_null=True))


def compared_by_kind(sections: pl.DataFrame) -> pl.DataFrame:
    """Return the rows of the table from sections with ``ground`` and ``classes`` (whether it is a class)."""
    both = sections.sort(*GROUP, "place_m").drop_nulls(["treated", "check"])
    both = both.with_columns(sections_all=pl.len().over(GROUP)).drop_nulls("ground")
    lower, upper = (pl.col("ground").quantile(q).over(GROUP) for q in (1 / 3, 2 / 3))
    third = (pl.col("ground") > lower).cast(pl.Int64) + (pl.col("ground") > upper).cast(pl.Int64)
    rank = pl.col("ground").rank("dense").over(GROUP).cast(pl.Int64)
    both = both.with_columns(part=pl.when("classes").then(rank).otherwise(third + 1))
    both = both.filter(pl.len().over(*GROUP, "part") >= LEAST_OF_KIND)
    both = both.filter(pl.col("part").n_unique().over(GROUP) > 1)
    made = by_part(
        both,
        GROUP,
        ALONG,
        ground_low=pl.col("ground").min(),
        ground_high=pl.col("ground").max(),
        classes=pl.col("classes").first(),
        sections_all=pl.col("sections_all").first(),
    )
    level = pl.col("part").replace_strict(dict(enumerate(KINDS, 1)), default=None)
    maps = pl.col("ground_map").n_unique().over(SITE_YEAR)
    coverage = pl.col("sections").sum().over(GROUP) / pl.col("sections_all")
    few = pl.col("p").is_null()
    adjusted = (pl.col("p") * maps).clip(0, 1)
    return made.with_columns(
        kind=pl.when("classes")
        .then(pl.format("class {}", pl.col("ground_low").round().cast(pl.Int64)))
        .otherwise(level),
        p_adjusted=adjusted,
        verdict=verdict(adjusted),
        coverage=coverage,
        partial=(coverage < 1) | few,
        reason=pl.when(few)
        .then(
            pl.lit(
                "too few sections along the strips have mapped points and like ground on both sides"
            )
        )
        .when(coverage < 1)
        .then(pl.lit("in some sections the map says nothing, or the strips lie on unlike ground")),
    ).drop("classes", "sections_all", "part")
