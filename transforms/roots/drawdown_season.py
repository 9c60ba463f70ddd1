"""The season's uptake by depth, treated beside check over the same days.

Summed are the days from emergence (seeding where emergence was not noted) to harvest on which
every depth of both strips has an uptake, so that all depths of both strips speak of the same days:
a station or probe that was out for a while in one strip does not make the other look thirstier. The
share of each depth is made from these sums; the shares of a strip are 100% together. A depth with
less than half of the days of the best one (the topmost, where it rains often) is not among them: its
sum is of its own days, it has no share, and the row of every other depth says what its share is of.

A layer's uptake is that at its sensor times its thickness. Where the topmost sensor lies deep
(20 cm and more) the roots above it are denser than at it, and its share comes out too small: by
some 10 points for 20 cm in simulation.

Sums are of the days counted, not of the season: rain days and wet days are not in them. ``days``,
``days_season`` and ``coverage`` say how much of the season stands behind a sum.
"""

import polars as pl

from schemas import generated
from schemas.tables.roots.drawdown_season import TABLE
from transforms.methods.texts import depth_text, joined

PART = "field season"

DEPTH = ["field", "season", "depth_cm"]
STRIP = [*DEPTH, "strip"]
WHOLE = 0.95
ENOUGH_OF_BEST = 0.5
LEAST_DAYS = 10  # days below which no share is given
LEAST_MM = 10.0  # uptake of the strip below which no share is given


def derive(
    drawdown_day: pl.DataFrame, soil_water_day: pl.DataFrame, season: pl.DataFrame
) -> pl.DataFrame:
    """One row a depth, strip and season. Water in mm over the days counted."""
    crop = season.select(
        "field",
        "season",
        "crop",
        "harvested",
        begins=pl.coalesce("emerged", "seeded"),
    )
    days = _counted(
        drawdown_day.join(crop, on=["field", "season"])
        .filter(pl.col("day") >= pl.col("begins"))
        .group_by(*STRIP, "day")
        .agg(
            pl.col("uptake_mm").mean(),
            variance=(pl.col("uptake_error_mm") ** 2).mean() / pl.col("uptake_error_mm").count(),
            method=pl.col("method").drop_nulls().sort().first(),
            evaporation_mm=pl.col("evaporation_mm").mean(),
            balanced=(pl.col("method") == "balance").any(),
        )
        .with_columns(
            both=(pl.col("uptake_mm").is_not_null().sum() == 2).over(*DEPTH, "day"),
        )
    )
    counted = pl.col("counted")
    sums = days.group_by(STRIP).agg(
        days=counted.sum(),
        has_any=pl.col("uptake_mm").count(),
        uptake_mm=pl.col("uptake_mm").filter(counted).sum(),
        uptake_error_mm=pl.col("variance").filter(counted).sum().sqrt(),
        evaporation_mm=pl.col("evaporation_mm").filter(counted).sum(),
        evaporation_d=pl.col("evaporation_mm").filter(counted).count(),
        balance_d=(pl.col("balanced") & counted).sum(),
        errors_known=pl.col("variance").filter(counted).count(),
        method=pl.col("method").filter(counted).drop_nulls().mode().sort().first(),
        first_day=pl.col("day").filter(counted).min(),
        last_day=pl.col("day").filter(counted).max(),
        together=pl.col("together").first(),
    )
    last = drawdown_day.group_by("field", "season").agg(last=pl.col("day").max())
    length = pl.min_horizontal("harvested", "last") - pl.col("begins")
    rows = (
        _with_shares(sums)
        .join(crop, on=["field", "season"])
        .join(last, on=["field", "season"])
        .join(_layers(soil_water_day, drawdown_day), on=STRIP, how="left")
        .with_columns(
            days_season=pl.when(
                pl.col("harvested").is_null() | (pl.col("last") <= pl.col("harvested"))
            ).then(length.dt.total_days() + 1)
        )
    )
    return generated.conform(_with_reason(rows).select(TABLE.names), TABLE).sort(TABLE.key)


def _counted(days: pl.DataFrame) -> pl.DataFrame:
    """Adds ``together`` (the depth is one of those shown together) and ``counted`` (the day is).

    Together are the depths that have at least half of the days of the best one, over the days on
    which all of them have an uptake in both strips; where these are too few, no depth is. Other
    depths count their own days.
    """
    best = pl.col("days").max().over("field", "season")
    enough = (
        days.filter("both")
        .group_by(DEPTH)
        .agg(days=pl.col("day").n_unique())
        .filter(pl.col("days") >= ENOUGH_OF_BEST * best)
        .select(*DEPTH, depths=pl.len().over("field", "season"))
    )
    whole = (
        days.filter("both")
        .join(enough, on=DEPTH)
        .group_by("field", "season", "day")
        .agg(whole=pl.col("depth_cm").n_unique() == pl.col("depths").first())
        .filter("whole")
        .filter(pl.len().over("field", "season") >= LEAST_DAYS)
    )
    some = whole.select("field", "season").unique().with_columns(some=True)
    return (
        days.join(enough, on=DEPTH, how="left")
        .join(some, on=["field", "season"], how="left")
        .join(whole, on=["field", "season", "day"], how="left")
        .with_columns(
            together=(pl.col("depths") > 0).fill_null(False) & pl.col("some").fill_null(False)
        )
        .with_columns(
            counted=pl.col("both") & (~pl.col("together") | pl.col("whole").fill_null(False))
        )
    )


def _with_shares(sums: pl.DataFrame) -> pl.DataFrame:
    """Adds each depth's share of the sums shown together, and what these are of."""
    strip = ["field", "season", "strip"]
    total = pl.col("uptake_mm").filter("together").sum().over(strip)
    depths = depth_text(pl.col("depth_cm"))
    return sums.sort(STRIP).with_columns(
        uptake_share=pl.when(pl.col("together") & (total >= LEAST_MM)).then(
            pl.col("uptake_mm") / total
        ),
        days_share=pl.when("together").then("days").otherwise(0),
        missing=depths.filter(~pl.col("together")).str.join(", ").over(strip),
    )


def _layers(soil_water_day: pl.DataFrame, drawdown_day: pl.DataFrame) -> pl.DataFrame:
    """The latest layer limits of each depth of a strip in a season."""
    place = ["probe", "field", "strip", "depth_cm", "day"]
    return (
        drawdown_day.filter(pl.col("season").is_not_null())
        .select(*place, "season")
        .join(soil_water_day, on=place)
        .sort("day", "probe")
        .group_by(STRIP)
        .agg(pl.col("layer_top_cm").last(), pl.col("layer_bottom_cm").last())
    )


def _with_reason(rows: pl.DataFrame) -> pl.DataFrame:
    """Add coverage, ``partial`` and the reason; a sum over no day is null."""
    none = pl.col("days") == 0
    coverage = (pl.col("days") / pl.col("days_season")).clip(0, 1)
    no_share = pl.col("uptake_share").is_null()
    unsplit_d = pl.col("balance_d") - pl.col("evaporation_d")
    unsplit = (pl.col("layer_top_cm") == 0) & (unsplit_d > 0)
    part = ~no_share & (pl.col("missing") != "")
    return rows.with_columns(
        uptake_mm=pl.when(~none).then("uptake_mm"),
        evaporation_mm=pl.when(pl.col("evaporation_d") > 0).then("evaporation_mm"),
        uptake_error_mm=pl.when(~none & (pl.col("errors_known") == pl.col("days"))).then(
            "uptake_error_mm"
        ),
        coverage=coverage,
        partial=none
        | no_share
        | part
        | unsplit.fill_null(False)
        | (coverage < WHOLE)
        | pl.col("harvested").is_null(),
        reason=joined(
            pl.when(none & (pl.col("has_any") == 0)).then(
                pl.lit("no day with an uptake at this depth")
            ),
            pl.when(none & (pl.col("has_any") > 0)).then(
                pl.lit("no day on which both strips have an uptake at this depth")
            ),
            pl.when(~none & (coverage < WHOLE)).then(
                pl.format("{} of {} days counted", "days", "days_season")
            ),
            pl.when(~none & unsplit).then(
                pl.format("days with evaporation from the soil in the sum: {}", unsplit_d)
            ),
            pl.when(~none & no_share).then(
                pl.lit("no share: too few days on which all depths have data, or too little uptake")
            ),
            pl.when(part).then(
                pl.format("the share is of the depths without {} cm", pl.col("missing"))
            ),
            pl.when(pl.col("harvested").is_null()).then(pl.lit("the crop still stands")),
        ),
    )
