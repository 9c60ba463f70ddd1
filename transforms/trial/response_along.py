"""Treated minus check by parts along mapped strips: better all along, or only in one place?

Both strips are cut into sections along their border (``map_sections``), and the sections into ``PARTS``
parts of as many sections each, which are compared by ``ground_parts``. What it claims where nothing was
applied: ``tests/bench/FIGURES.md``.
"""

import polars as pl

from schemas import generated
from schemas.tables.trial.response_along import PARTS, TABLE
from transforms.trial.methods.ground_parts import OF_STRIPS, by_part
from transforms.trial.methods.map_geometry import with_border
from transforms.trial.methods.map_sections import by_section

SITE_YEAR = ["field", "season"]


def derive(
    yield_point_cleaned: pl.DataFrame, mapped_pass: pl.DataFrame, season: pl.DataFrame
) -> pl.DataFrame:
    """Four rows for each season whose mapped passes are compared; none where they are not (``mapped_pass``).

    With fewer than ``ground_parts.LEAST_SECTIONS`` sections a part has no interval, and nothing is tested.
    """
    compared = mapped_pass.filter(pl.col("block").is_not_null())
    points = yield_point_cleaned.join(compared, on=SITE_YEAR, how="semi")
    sections = by_section(with_border(points))
    if sections.is_empty():
        return generated.empty(TABLE)
    both = sections.drop_nulls(["treated", "check"]).sort(*SITE_YEAR, "place_m")
    rank = pl.int_range(pl.len()).over(SITE_YEAR)
    both = both.with_columns(part=(rank * PARTS // pl.len().over(SITE_YEAR) + 1).cast(pl.Int64))
    made = by_part(
        both,
        SITE_YEAR,
        OF_STRIPS,
        counted_from=pl.col("counted_from").first(),
        section_m=pl.col("section_m").first(),
        from_m=pl.col("place_m").min(),
        to_m=pl.col("place_m").max() + pl.col("section_m").first(),
    )
    crops = season.select(*SITE_YEAR, "crop").unique(SITE_YEAR)
    made = (
        _with_coverage(made)
        .drop("section_m")
        .join(crops, on=SITE_YEAR, how="left", maintain_order="left")
    )
    return generated.conform(made, TABLE)


def _with_coverage(parts: pl.DataFrame) -> pl.DataFrame:
    span = (pl.col("to_m") - pl.col("from_m")) / pl.col("section_m")
    parts = parts.with_columns(coverage=(pl.col("sections") / span).clip(0, 1))
    lacks = pl.col("coverage") < 1
    few = pl.col("verdict") == "too few"
    return parts.with_columns(
        partial=lacks | few,
        reason=pl.when(few)
        .then(pl.lit("too few sections along the strips have mapped points on both sides"))
        .when(lacks)
        .then(pl.lit("some sections have mapped points on one side only")),
    )
