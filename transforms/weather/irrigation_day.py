"""Water applied to each strip by irrigation, day by day.

From the field book: the depths of a day's rows are added up; a row of both strips counts in each. A
row without a depth makes the day's depth unknown, not zero. A day that is not on the sheet had none,
unless a water meter stood there.

From water meters (``water_meter_day``): the volume of the day over the irrigated area of farm.toml,
several meters of one strip added up. A day of which the meter recorded less than ``WHOLE``, or
nothing, is unknown, not zero. A running total that bridged a gap stands on the day on which the gap
ends; the days of the gap are in it. If nothing passed in the gap, each of its days had none. More
than ``MOST_MM_D`` a day is taken for a wrong unit or area, and is unknown.

On a day with both, the meter stands if it knows the day; the row says where the field book has
another depth. Where the meter does not know it, the field book stands.

The depth is what was applied, as given: no efficiency is guessed. What of it evaporates from leaves
or runs off is in the water use, as for rain. It is the net irrigation depth I of the soil water
balance, and wets the surface like rain (Allen et al. 1998, FAO Irrigation and Drainage Paper 56,
chapter 8, Eq 85; chapter 7, Eq 77 with the whole surface wetted; from memory).
"""

import polars as pl

from schemas import generated
from schemas.tables.weather.irrigation_day import TABLE
from transforms.methods.comparisons import each_strip
from transforms.methods.crop_days import with_season
from transforms.methods.texts import joined
from transforms.weather.methods import metered

# Share by which field book and meter may differ, and the depth below which that is not looked at.
AGREE_SHARE, AGREE_MM = 0.2, 2.0  # common practice, no source
_STRIP = ["field", "strip"]
_KEY = [*_STRIP, "day"]


def derive(  # noqa: PLR0917 - the tables that it is made from
    irrigation: pl.DataFrame,
    water_meter_day: pl.DataFrame,
    station_spell: pl.DataFrame,
    weather_day: pl.DataFrame,
    season: pl.DataFrame,
    comparison: pl.DataFrame,
) -> pl.DataFrame:
    """One row a strip and day with an irrigation on record, or on which a meter stood. Depth in mm."""
    meter = metered.by_strip(water_meter_day, station_spell, weather_day["day"].max(), comparison)
    rows = _by_book(irrigation, comparison).join(meter, on=_KEY, how="full", coalesce=True)
    rows = _to_date(with_season(_with_reason(_chosen(rows)), season))
    return generated.conform(rows.select(TABLE.names), TABLE).sort(TABLE.key)


def _by_book(irrigation: pl.DataFrame, comparison: pl.DataFrame) -> pl.DataFrame:
    """Return the field book's depth by strip and day, and the sources it names."""
    both = pl.col("strip") == "both"
    of_both = each_strip(irrigation.filter(both).drop("strip"), comparison)
    rows = pl.concat([irrigation.filter(~both), of_both.select(irrigation.columns)])
    known = pl.col("amount_mm").null_count() == 0
    return rows.group_by(_KEY).agg(
        book_mm=pl.when(known).then(pl.col("amount_mm").sum()),
        in_book=pl.lit(True),
        words=pl.col("source").drop_nulls().unique().sort().str.join(", ").replace("", None),
    )


def _chosen(rows: pl.DataFrame) -> pl.DataFrame:
    """Add the depth that stands, whose it is and what it is of."""
    in_book = pl.col("in_book").fill_null(False)
    later = pl.col("later").fill_null(False)
    by_meter = pl.col("meter_known").fill_null(False)
    rows = rows.with_columns(in_book=in_book, in_later_total=later, by_meter=by_meter)
    by_book = pl.col("in_book") & ~pl.col("by_meter") & ~pl.col("in_later_total")
    return rows.with_columns(by_book=by_book).with_columns(
        irrigation_mm=pl.when("by_meter").then("meter_mm").when("by_book").then("book_mm"),
        irrigation_from=pl.when("by_meter")
        .then(pl.lit("water meter"))
        .when("by_book")
        .then(pl.lit("field book")),
        source=pl.when("by_book").then("words").otherwise("meters"),
        irrigation_since_day=pl.when("by_meter")
        .then("meter_since_day")
        .when("by_book")
        .then("day"),
        coverage=pl.when("by_book")
        .then(pl.col("book_mm").is_not_null().cast(pl.Float64))
        .when("in_later_total")
        .then(1.0)
        .otherwise(pl.col("meter_coverage").fill_null(0.0)),
    )


def _with_reason(rows: pl.DataFrame) -> pl.DataFrame:
    """Add ``partial`` and the reasons."""
    no_depth = pl.col("by_book") & pl.col("book_mm").is_null()
    unknown = ~pl.col("by_book") & ~pl.col("by_meter") & ~pl.col("in_later_total")
    apart = (pl.col("book_mm") - pl.col("meter_mm")).abs()
    more = pl.max_horizontal("book_mm", "meter_mm")
    differ = (
        pl.col("by_meter")
        & pl.col("in_book")
        & (apart > pl.max_horizontal(pl.lit(AGREE_MM), AGREE_SHARE * more))
    ).fill_null(False)
    over_days = pl.col("by_meter") & (pl.col("irrigation_since_day") < pl.col("day"))
    return rows.with_columns(
        partial=no_depth | unknown | differ | over_days.fill_null(False) | pl.col("in_later_total"),
        reason=joined(
            pl.when(no_depth).then(pl.lit("irrigated, but the field book does not say how much")),
            pl.when(unknown).then("meter_reason"),
            pl.when(pl.col("in_later_total")).then(
                pl.lit("the meter was silent; what passed is in the total of a later day")
            ),
            pl.when(over_days).then(
                pl.format("the total is of the days since {}", "irrigation_since_day")
            ),
            pl.when(differ).then(
                pl.format("the field book has {} mm: the meter stands", pl.col("book_mm").round(1))
            ),
        ),
    )


def _to_date(rows: pl.DataFrame) -> pl.DataFrame:
    """Add the depths known since Monday and since seeding, and the days without one."""
    unknown = pl.col("irrigation_mm").is_null() & ~pl.col("in_later_total")
    depth, days = pl.col("irrigation_mm").fill_null(0.0).cum_sum(), unknown.cast(pl.Int64).cum_sum()
    rows = rows.sort(_KEY).with_columns(week=pl.col("day").dt.truncate("1w"))
    in_season = pl.col("season").is_not_null()
    return rows.with_columns(
        week_to_date_mm=depth.over(*_STRIP, "week"),
        week_to_date_unknown_d=days.over(*_STRIP, "week"),
        season_to_date_mm=pl.when(in_season).then(depth.over(*_STRIP, "season")),
        season_to_date_unknown_d=pl.when(in_season).then(days.over(*_STRIP, "season")),
    )
