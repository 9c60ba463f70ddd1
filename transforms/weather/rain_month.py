"""Rain against normal, month by month."""

import polars as pl

from schemas import generated
from schemas.tables.weather.rain_month import TABLE
from transforms.methods.strips import days_by_hand
from transforms.methods.texts import joined
from transforms.weather.methods.complete_rain import complete_rain

_KEY = ["station", "year", "month"]
_YEAR = [c for c in TABLE.names if c.startswith("year_to_date")]
_SEASON = [c for c in TABLE.names if c.startswith("season")]


def derive(rain_day: pl.DataFrame, normal_month: pl.DataFrame) -> pl.DataFrame:
    """Make one row a station and calendar month.

    ``rain_mm`` is all that was recorded, ``normal_recorded_mm`` the normal of just the days (and
    parts of days) that it is of; departure and percent compare these two. A month is whole when
    every day is recorded whole or what it lost is in a later total of the same month (WMO-No.
    1203); any other is partial, one that still runs too, and the reason says what is missing.
    """
    if rain_day.is_empty():
        return generated.empty(TABLE)
    days = rain_day.sort("station", "day").with_columns(
        pl.col("day").dt.year().cast(pl.Int64).alias("year"),
        pl.col("day").dt.month().cast(pl.Int64).alias("month"),
        pl.col("day").dt.month_start().alias("start"),
    )
    days = days.with_columns(
        pl.struct("station", "start").rle_id().alias("group"),
    ).with_columns(complete_rain(pl.col("start"), "group").alias("there"))
    normals = normal_month.select("month", pl.col("rain_mm").alias("normal_mm"))
    months = _sums(days).join(normals, on="month", how="left")
    return generated.conform(_with_departure(months).select(TABLE.names).sort(_KEY), TABLE)


def _sums(days: pl.DataFrame) -> pl.DataFrame:
    """The months of each station."""
    recorded = pl.col("recorded_d") > 0
    part = pl.when("there").then(1.0).otherwise("rain_coverage")
    snow = pl.col("may_be_snow").fill_null(False)
    reaches_back = pl.col("rain_since_day") < pl.col("start")
    place = [pl.col(c).drop_nulls() for c in ("field", "strip")]
    return days.group_by("group", maintain_order=True).agg(
        pl.col(*_KEY).first(),
        *(pl.when(c.n_unique() == 1).then(c.first()) for c in place),
        pl.when(recorded.any()).then(pl.col("rain_mm").sum()).alias("rain_mm"),
        pl.when(recorded.any() & (~recorded | pl.col("normal_recorded_mm").is_not_null()).all())
        .then(pl.col("normal_recorded_mm").sum())
        .alias("normal_recorded_mm"),
        pl.col("day").first().dt.days_in_month().cast(pl.Int64).alias("month_days"),
        pl.col("there").sum().cast(pl.Int64).alias("days_whole"),
        part.sum().alias("parts"),
        pl.col("rain_doubtful").sum().cast(pl.Int64).alias("doubtful_d"),
        days_by_hand().alias("by_hand_d"),
        pl.when(recorded.any()).then(pl.col("rain_mm").filter(snow).sum()).alias("may_be_snow_mm"),
        pl.when(snow.any())
        .then(True)
        .when((recorded & pl.col("may_be_snow").is_null()).any())
        .then(None)
        .otherwise(False)
        .alias("may_be_snow"),
        *(pl.col(c).last() for c in _YEAR),
        *(pl.col(c).filter(pl.col("season").is_not_null()).last() for c in _SEASON),
        pl.col("day").first().alias("first_day"),
        pl.col("day").last().alias("last_day"),
        pl.len().alias("days"),
        (~pl.col("there") & ~reaches_back.fill_null(False)).sum().alias("lacking"),
        pl.col("day").filter(reaches_back).first().alias("back_day"),
        pl.col("rain_since_day").filter(reaches_back).first().alias("back_since"),
    )


def _with_departure(months: pl.DataFrame) -> pl.DataFrame:
    """Add departure, percent, coverage and the reason as text."""
    departure = pl.col("rain_mm") - pl.col("normal_recorded_mm")
    share = pl.col("rain_mm") / pl.col("normal_recorded_mm").replace(0.0, None)
    end = pl.col("last_day").dt.month_end()
    lacks = joined(
        pl.when(pl.col("first_day").dt.day() > 1).then(
            pl.format("the record begins on {}", "first_day")
        ),
        pl.when(pl.col("last_day") < end).then(pl.format("the record ends on {}", "last_day")),
        pl.when(pl.col("lacking") > 0).then(
            pl.format("{} of {} days lack rain or part of it", "lacking", "days")
        ),
        pl.when(pl.col("back_day").is_not_null()).then(
            pl.format("the total of {} is of the days since {}", "back_day", "back_since")
        ),
    )
    doubtful = pl.when(pl.col("doubtful_d") > 0).then(
        pl.format("days with rain that is hard to believe: {}", "doubtful_d")
    )
    no_normal = pl.when(pl.col("normal_mm").is_null()).then(
        pl.lit("there is no normal for the month")
    )
    return months.with_columns(
        departure.alias("departure_mm"),
        (100.0 * share).alias("of_normal_pct"),
        (pl.col("parts") / pl.col("month_days")).clip(0.0, 1.0).alias("coverage"),
        (lacks.is_not_null() | doubtful.is_not_null()).alias("partial"),
        joined(lacks, doubtful, no_normal).alias("reason"),
    )
