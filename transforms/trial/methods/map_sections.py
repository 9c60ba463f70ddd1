"""Sections of ground along mapped strips, each with the mean yield of both sides."""

import polars as pl

SITE_YEAR = ["field", "season"]
SHORTEST_M = 20.0  # of a section along mapped strips: several points of a usual monitor


def by_section(points: pl.DataFrame, *, classes: bool = False) -> pl.DataFrame:
    """Return a row for each section of a field's season that has kept points of either strip.

    A section is as long as the middles of the compared ground lie apart, so that what differs over that
    way shows between sections, and no shorter than ``SHORTEST_M``. ``points``: as ``yield_point_cleaned``.
    Columns: field, season, ``place_m`` (where the section begins, along the border between the strips,
    from the end named in ``counted_from``), ``section_m`` (its length), ``treated`` and ``check`` (mean
    yields [kg/ha]; null where a side has no points). If points have ``ground``, so has the section: the mean
    of both sides' means, null if a side has none; with ``classes`` the most frequent one of both sides, null
    if they differ. ``classes`` is then a column too.
    """
    # Along the border between the strips, whichever way the combine drove.
    crossed = pl.col("crossed").any().over(SITE_YEAR)
    kept = points.with_columns(place=pl.when(crossed).then("across_m").otherwise("ahead_m")).filter(
        "kept", pl.all_horizontal(pl.col("strip", "yield_kg_ha", "place").is_not_null())
    )

    def runs(axis: str) -> pl.Expr:
        return pl.cov("place", axis).over(SITE_YEAR)

    def middle(strip: str) -> pl.Expr:
        away = pl.col("border_m").filter(pl.col("strip") == strip)
        return away.mean().over(SITE_YEAR).fill_null(0.0)

    northward = runs("north_m").abs() >= runs("east_m").abs()
    kept = kept.with_columns(
        counted_from=pl.when(northward).then(pl.lit("south")).otherwise(pl.lit("west")),
        toward=pl.when(northward).then(runs("north_m")).otherwise(runs("east_m")).sign(),
        section_m=pl.max_horizontal(middle("treated") + middle("check"), pl.lit(SHORTEST_M)),
    )
    far = pl.col("place") * pl.col("toward")
    kept = kept.with_columns(
        section=((far - far.min().over(SITE_YEAR)) / pl.col("section_m")).floor()
    )

    def side(name: str) -> pl.Expr:
        return pl.col("yield_kg_ha").filter(pl.col("strip") == name).mean().alias(name)

    found = [side("treated"), side("check")]
    if "ground" in points.columns:
        found += [_ground(classes), pl.lit(classes).alias("classes")]
    return (
        kept.with_columns(place_m=pl.col("section") * pl.col("section_m"))
        .group_by(*SITE_YEAR, "place_m", "section_m", "counted_from")
        .agg(found)
        .sort(*SITE_YEAR, "place_m")
    )


def _ground(classes: bool) -> pl.Expr:
    """Return what a map says of a section, if both sides have it (an aggregation)."""
    treated, check = (
        pl.col("ground").filter(pl.col("strip") == name).drop_nulls()
        for name in ("treated", "check")
    )
    if classes:
        one, other = (side.mode().sort().first() for side in (treated, check))
        return pl.when(one == other).then(one).alias("ground")
    return ((treated.mean() + check.mean()) / 2).alias("ground")
