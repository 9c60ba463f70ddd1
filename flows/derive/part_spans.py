"""The spans of days that divide a place's time: calendar years, or crop years that end with a harvest."""

from datetime import date

import polars as pl

FIRST, LAST = date(1, 1, 1), date(9999, 12, 31)


def from_days(begun: pl.DataFrame) -> pl.DataFrame:
    """Return spans by place and the day each begins: it ends the day before the next."""
    following = pl.col("from_day").shift(-1).over("place", order_by="from_day")
    return begun.with_columns(
        to_day=following.dt.offset_by("-1d").fill_null(LAST), seeded=pl.lit(None, pl.Date)
    )


def by_year(places: pl.DataFrame, months: pl.DataFrame) -> pl.DataFrame:
    """Return a span for each calendar year from a place's first to its last; all time lies in one of them."""
    years = (
        months.drop_nulls()
        .group_by("place")
        .agg(
            from_day=pl.date_ranges(
                pl.col("month").min().dt.truncate("1y"), pl.col("month").max(), interval="1y"
            ).first()
        )
        .explode("from_day")
    )
    first = pl.col("from_day") == pl.col("from_day").min().over("place")
    begun = places.join(years, on="place", how="left").with_columns(
        from_day=pl.when(first).then(FIRST).otherwise("from_day").fill_null(FIRST)
    )
    return from_days(begun)


def by_crop_year(places: pl.DataFrame, season: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Return the spans between a field's harvests, and the seasons that end in each.

    A season without a harvest lies in the last span. ``seeded``: the first day of a span's seasons.
    """
    season = season.rename({"field": "place"}).with_columns(pl.col("harvested").fill_null(LAST))
    ends = (
        pl.concat(
            [season.select("place", to_day="harvested"), places.with_columns(to_day=pl.lit(LAST))]
        )
        .unique()
        .sort("place", "to_day")
    )
    spans = ends.join(places, on="place", how="semi").with_columns(
        from_day=pl.col("to_day").shift(1).over("place").dt.offset_by("1d").fill_null(FIRST)
    )
    named = spans.select("place", "to_day", span="from_day")
    seasons = season.join(named, left_on=["place", "harvested"], right_on=["place", "to_day"])
    seeded = seasons.group_by("place", "span").agg(pl.col("seeded").min())
    spans = spans.join(
        seeded, left_on=["place", "from_day"], right_on=["place", "span"], how="left"
    )
    return spans, seasons.select("place", "season", "span")
