"""vegetation_pair: the vegetation index of a day, treated beside check, with its interval."""

import polars as pl

from schemas import generated
from schemas.tables.trial.vegetation_pair import TABLE
from transforms.methods.alike_ground import APART, FAR
from transforms.methods.strips import in_strip
from transforms.trial.methods.map_geometry import as_book
from transforms.trial.methods.trial_statistics import student_t

KEY = ["field", "day", "source"]
TYPED = ("vegetation index", "ndvi")  # of the sheet observations, in lower case
OBSERVED = "observed"
_SIDES = ("treated", "check")
_ROW = (
    *KEY,
    *("treated_index", "check_index", "difference", "half_width"),
    *("coverage", "partial", "reason"),
)
_COVERAGE = [f"{side}_coverage" for side in _SIDES]
FEW = "too few pixels for an interval"


def derive(
    vegetation_strip: pl.DataFrame,
    vegetation_ground: pl.DataFrame,
    observation_pair: pl.DataFrame,
    season: pl.DataFrame,
) -> pl.DataFrame:
    """Put the indexes of both strips of one field, day and source side by side.

    Of several images of a day the one that shows most of both strips counts. The interval of the
    difference is that of its image (``alike_ground``). Of typed observations it is Student's t of
    both strips' places.
    """
    seen = _seen(as_book(vegetation_strip, season), as_book(vegetation_ground, season))
    rows = _with_season(pl.concat([seen, _typed(observation_pair)]), season).with_columns(
        difference_low=pl.col("difference") - pl.col("half_width"),
        difference_high=pl.col("difference") + pl.col("half_width"),
    )
    return generated.conform(rows.select(TABLE.names), TABLE).sort(TABLE.key)


def _seen(images: pl.DataFrame, ground: pl.DataFrame) -> pl.DataFrame:
    of_side = {
        f"{side}_{name}": in_strip(value, side).first()
        for side in _SIDES
        for name, value in {
            "index": pl.col("vegetation_index"),
            "coverage": pl.col("coverage"),
            "why": pl.format("{} strip: {}", pl.lit(side), "reason"),
        }.items()
    }
    rows = (
        images.group_by(*KEY, "image")
        .agg(**of_side)
        .with_columns(coverage=pl.min_horizontal(pl.col(*_COVERAGE).fill_null(0.0)))
        .with_columns(sum=pl.sum_horizontal(_COVERAGE))
        .sort("coverage", "sum", "image", descending=[True, True, False])
        .unique(KEY, keep="first", maintain_order=True)
        .join(ground.unique([*KEY, "image"]), on=[*KEY, "image"], how="left")
    )
    why = [
        pl.when(pl.col(f"{side}_coverage").is_null())
        .then(pl.lit(f"{side} strip: not in the image"))
        .otherwise(f"{side}_why")
        for side in _SIDES
    ]
    both = pl.all_horizontal(pl.col("treated_index", "check_index").is_not_null())
    reason = pl.concat_str(
        *(pl.when(pl.col("coverage") < 1).then(one) for one in why),
        pl.when(both & pl.col("half_width").is_null()).then(pl.lit(FEW)),
        pl.when(both & (pl.col("apart_share") > FAR)).then(pl.lit(APART)),
        separator="; ",
        ignore_nulls=True,
    )
    return rows.with_columns(
        difference=pl.col("treated_index") - pl.col("check_index"),
        partial=pl.col("coverage") < 1,
        reason=reason.replace("", None),
    ).select(_ROW)


def _typed(observation_pair: pl.DataFrame) -> pl.DataFrame:
    """Return the typed indexes; Welch's t of the places (Welch 1947, doi 10.1093/biomet/34.1-2.28).

    Only the error of the difference is known, so both strips count as spread alike.
    """
    index = pl.col("what").is_in(TYPED) & pl.col("unit").is_in(["1", ""])
    rows = observation_pair.filter(
        index
        & pl.all_horizontal(
            pl.col("treated_value", "check_value").is_between(-1, 1).fill_null(True)
        )
    )
    df = 4 / pl.sum_horizontal(1 / (pl.col(f"{side}_places") - 1.0) for side in _SIDES)
    return (
        rows.unique(["field", "day"], keep="first", maintain_order=True)
        .select(
            "field",
            "day",
            source=pl.lit(OBSERVED),
            treated_index="treated_value",
            check_index="check_value",
            half_width=student_t(df) * pl.col("difference_se"),
            difference="difference",
            coverage="coverage",
            partial="partial",
            reason="reason",
        )
        .select(_ROW)
    )


def _with_season(rows: pl.DataFrame, season: pl.DataFrame) -> pl.DataFrame:
    """Add season and crop that stood on the day, seeding and harvest included."""
    stood = (
        rows.select(KEY)
        .join(season.select("field", "season", "crop", "seeded", "harvested"), on="field")
        .filter(
            (pl.col("day") >= pl.col("seeded")) & (pl.col("day") <= pl.coalesce("harvested", "day"))
        )
        .sort("season")
        .unique(KEY, keep="last", maintain_order=True)
        .select(*KEY, "season", "crop")
    )
    return rows.join(stood, on=KEY, how="left")
