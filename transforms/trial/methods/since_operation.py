"""Which operation a season follows, and by how many years."""

import polars as pl


def since_operation(
    season: pl.DataFrame, operation: pl.DataFrame, field: pl.DataFrame
) -> pl.DataFrame:
    """Each season with the last operation of the field's practice before its harvest.

    season, operation, field: those tables. Only operations of the practice that is on trial in
    the field count; where the book names another practice, it is not the trial's.
    Returns field, season, crop, seeded, harvested, practice, operation_day and years_since (both
    null before the first operation on the treated strip) and check_worked (true where the check
    strip was worked too by then). The first harvest after the work is year 1. Work done while the
    crop stood counts for the next season, unless the practice is one for the standing crop, such as
    a side-dressing (``counts_for``).
    """
    practice = field.select("field", "practice")
    seasons = season.select("field", "season", "crop", "seeded", "harvested").join(
        practice, on="field", how="left"
    )
    pairs, first = _pairs(season, operation, field)
    last = (
        pairs.filter(pl.col("strip") == "treated")
        .group_by("field", "season")
        .agg(operation_day=pl.col("operation_day").max())
        .join(first, on=["field", "operation_day"], how="left")
        .select(
            "field",
            "season",
            "operation_day",
            years_since=(pl.col("season") - pl.col("first") + 1).cast(pl.Int64),
        )
    )
    checked = (
        pairs.filter(pl.col("strip") == "check").select("field", "season").unique()
    ).with_columns(check_worked=pl.lit(True))
    return (
        seasons.join(last, on=["field", "season"], how="left")
        .join(checked, on=["field", "season"], how="left")
        .with_columns(pl.col("check_worked").fill_null(False))
        .sort("field", "season")
    )


def earlier_work(
    season: pl.DataFrame, operation: pl.DataFrame, field: pl.DataFrame
) -> pl.DataFrame:
    """Each season after a repeat, with the last work before that repeat.

    Returns field, season, earlier_day and earlier_years (harvests since that earlier work, the
    first being year 1). Work twice before one harvest is no repeat: nothing was harvested between.
    """
    pairs, first = _pairs(season, operation, field)
    worked = pairs.filter(pl.col("strip") == "treated").join(
        first, on=["field", "operation_day"], how="left"
    )
    return (
        worked.filter(pl.col("first") < pl.col("first").max().over("field", "season"))
        .sort("operation_day")
        .group_by("field", "season")
        .agg(
            earlier_day=pl.col("operation_day").last(),
            earlier_years=(pl.col("season").first() - pl.col("first").last() + 1).cast(pl.Int64),
        )
        .sort("field", "season")
    )


def _pairs(
    season: pl.DataFrame, operation: pl.DataFrame, field: pl.DataFrame
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Every season with every operation of its field's practice before it, and each one's first year."""
    done = operation.with_columns(in_crop=in_crop()).rename({"day": "operation_day"})
    done = done.join(field.select("field", "practice"), on=["field", "practice"], how="semi")
    pairs = (
        season.select("field", "season", "seeded", "harvested")
        .join(done.select("field", "strip", "operation_day", "in_crop"), on="field")
        .filter(counts_for_season())
    )
    # A crop seeded and cut in the year of the work makes that year the first; else the year after.
    first = (
        pairs.group_by("field", "operation_day")
        .agg(first=pl.col("season").min())
        .with_columns(
            first=pl.when(pl.col("first") == pl.col("operation_day").dt.year())
            .then(pl.col("first"))
            .otherwise(pl.col("operation_day").dt.year() + 1)
        )
    )
    return pairs, first


def in_crop() -> pl.Expr:
    """Whether work done while a crop stands counts for that crop (rows of ``operation``).

    A row's own ``counts_for`` holds; where it says nothing, one row that says so speaks for its practice.
    """
    own = pl.col("counts_for")
    standing = (own == "standing crop").fill_null(False)
    return pl.when(own.is_null()).then(standing.any().over("practice")).otherwise(standing)


def counts_for_season() -> pl.Expr:
    """Whether work on ``operation_day`` counts for the season in the same row, or for an earlier one.

    Work up to the day of seeding does; work for the standing crop (``in_crop``) up to its harvest.
    """
    day = pl.col("operation_day")
    standing = (day <= pl.col("harvested")).fill_null(day.dt.year() <= pl.col("season"))
    return (day <= pl.col("seeded")) | (pl.col("in_crop") & standing)


def treated_operations(operation: pl.DataFrame, field: pl.DataFrame) -> pl.DataFrame:
    """The operations of the trial itself: the field's practice, on its treated strip."""
    return operation.filter(pl.col("strip") == "treated").join(
        field.select("field", "practice"), on=["field", "practice"], how="semi"
    )
