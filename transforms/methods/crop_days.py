"""Which crop stood on which day."""

from datetime import date

import polars as pl

from transforms.methods import calendar_day

TO_EMERGENCE = "10d"  # from seeding, where emergence was not noted; common practice, no source
# No day of harvest: the year that ends with the first one begins here, whatever rows there are.
BEFORE_HARVESTS = date(1, 1, 1)


def emergence() -> pl.Expr:
    """Day of emergence of a row of ``season``: as noted, else ten days after seeding."""
    return pl.coalesce("emerged", pl.col("seeded").dt.offset_by(TO_EMERGENCE))


def with_season(rows: pl.DataFrame, season: pl.DataFrame) -> pl.DataFrame:
    """Adds ``season`` (harvest year) and ``growing`` to rows of field and day.

    ``season`` is null between harvest and seeding; ``growing`` is true from emergence to harvest.
    A day on which two seasons of a field overlap belongs to the one seeded later.
    """
    newest = pl.lit(rows["day"].max(), pl.Date)
    seasons = season.select("field", "season", "seeded", "harvested", emerges=emergence())
    days = calendar_day.each_day(seasons, "seeded", pl.min_horizontal("harvested", newest))
    standing = (
        rows.select("field", "day")
        .unique()
        .join(days, on=["field", "day"])
        .sort("field", "day", "seeded")
        .unique(["field", "day"], keep="last", maintain_order=True)
        .select("field", "day", "season", growing=pl.col("day") >= pl.col("emerges"))
    )
    return rows.join(standing, on=["field", "day"], how="left").with_columns(
        pl.col("growing").fill_null(False)
    )


def with_crop_year(rows: pl.DataFrame, season: pl.DataFrame) -> pl.DataFrame:
    """Add ``since`` to rows of ``field`` and ``day``: the last harvest before the day.

    The day of harvest itself belongs to the year that it ends. Before the first harvest ``since``
    is ``BEFORE_HARVESTS``, so that it can be grouped and joined by.
    """
    harvests = (
        season.filter(pl.col("harvested").is_not_null())
        .select("field", since=pl.col("harvested"), from_day=pl.col("harvested").dt.offset_by("1d"))
        .unique()
        .sort("from_day")
    )
    return (
        rows.sort("day")
        .join_asof(
            harvests,
            left_on="day",
            right_on="from_day",
            by="field",
            strategy="backward",
            check_sortedness=False,
        )
        .drop("from_day")
        .with_columns(pl.col("since").fill_null(BEFORE_HARVESTS))
    )
