"""vegetation_pair: the vegetation index of a day, treated beside check, with its interval."""

import polars as pl

from schemas import generated
from schemas.tables.trial.vegetation_pair import TABLE
from transforms.methods.strips import in_strip
from transforms.trial.methods.map_geometry import as_book
from transforms.trial.methods.trial_statistics import student_t

KEY = ["field", "day", "source"]
TYPED = ("vegetation index", "ndvi")  # of the sheet observations, in lower case
OBSERVED = "observed"
_SIDES = ("treated", "check")


def derive(
    vegetation_strip: pl.DataFrame, observation_pair: pl.DataFrame, season: pl.DataFrame
) -> pl.DataFrame:
    """Put the indexes of both strips of one field, day and source side by side.

    Of several images of a strip in one day the one that shows most of it counts. The standard error
    of a strip's mean is its spread over the root of its independent pixels less one: what another
    piece of the same land would differ by. The interval takes Student's t with the degrees of
    freedom of two unequal variances (Welch 1947, doi 10.1093/biomet/34.1-2.28). Of typed
    observations only the standard error of the difference is known, if both strips have two places.
    """
    rows = pl.concat([_seen(as_book(vegetation_strip, season)), _typed(observation_pair)])
    df = pl.col("difference_se") ** 4 / sum(
        pl.col(f"{side}_se") ** 4 / (pl.col(f"{side}_pixels") - 1) for side in _SIDES
    )
    half = student_t(df) * pl.col("difference_se")
    rows = _with_season(rows, season).with_columns(
        difference_low=pl.col("difference") - half, difference_high=pl.col("difference") + half
    )
    return generated.conform(rows.select(TABLE.names), TABLE).sort(TABLE.key)


def _seen(images: pl.DataFrame) -> pl.DataFrame:
    best = images.sort("coverage", "image", descending=[True, False]).unique(
        [*KEY, "strip"], keep="first", maintain_order=True
    )
    se = pl.when(pl.col("independent_pixels") > 1).then(
        pl.col("spread") / (pl.col("independent_pixels") - 1).sqrt()
    )
    of_side = {
        f"{side}_{name}": in_strip(value, side).first()
        for side in _SIDES
        for name, value in {
            "index": pl.col("vegetation_index"),
            "se": se,
            "pixels": pl.col("independent_pixels"),
            "coverage": pl.col("coverage"),
            "why": pl.format("{} strip: {}", pl.lit(side), "reason"),
        }.items()
    }
    rows = best.group_by(KEY).agg(**of_side)
    least = pl.min_horizontal(*(pl.col(f"{side}_coverage").fill_null(0.0) for side in _SIDES))
    missing = (pl.lit(f"{side} strip: not in an image of this day") for side in _SIDES)
    why = [
        pl.when(pl.col(f"{side}_coverage").is_null()).then(text).otherwise(f"{side}_why")
        for side, text in zip(_SIDES, missing, strict=True)
    ]
    return rows.select(
        *KEY,
        "treated_index",
        "check_index",
        difference=pl.col("treated_index") - pl.col("check_index"),
        **{f"{side}_se": pl.col(f"{side}_se") for side in _SIDES},
        difference_se=(pl.col("treated_se") ** 2 + pl.col("check_se") ** 2).sqrt(),
        **{f"{side}_pixels": pl.col(f"{side}_pixels") for side in _SIDES},
        least_pixels=pl.min_horizontal("treated_pixels", "check_pixels"),
        coverage=least,
        partial=least < 1,
        reason=pl.when(least < 1).then(pl.concat_str(why, separator="; ", ignore_nulls=True)),
    )


def _typed(observation_pair: pl.DataFrame) -> pl.DataFrame:
    """Return the typed indexes; places of a strip stand for its independent pixels."""
    index = pl.col("what").is_in(TYPED) & pl.col("unit").is_in(["1", ""])
    rows = observation_pair.filter(
        index
        & pl.all_horizontal(
            pl.col("treated_value", "check_value").is_between(-1, 1).fill_null(True)
        )
    )
    halves = (pl.col("difference_se") / 2**0.5).alias
    return rows.unique(["field", "day"], keep="first", maintain_order=True).select(
        "field",
        "day",
        source=pl.lit(OBSERVED),
        treated_index="treated_value",
        check_index="check_value",
        difference="difference",
        treated_se=halves("treated_se"),
        check_se=halves("check_se"),
        difference_se="difference_se",
        treated_pixels=pl.col("treated_places").cast(pl.Float64),
        check_pixels=pl.col("check_places").cast(pl.Float64),
        least_pixels=pl.min_horizontal("treated_places", "check_places")
        .cast(pl.Float64)
        .replace(0.0, None),
        coverage="coverage",
        partial="partial",
        reason="reason",
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
