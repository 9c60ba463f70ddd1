"""Rain that a place can hardly have had, and dry weeks that another gauge contradicts.

The place's own bound is the rain of a normal year: a day, or ``MONTH`` of days, with more than a
whole year's rain, or a year with ``MOST_YEARS`` times as much, is doubtful. Storms of the grain
belts have come near a year's rain in a day, and yearly rain there varies by a quarter to a third
from year to year, so that only one year in a thousand goes so far by itself. Doubtful too is a day
of ``STORM_MM`` and more of which no other gauge of the field caught a tenth. A gauge that caught
nothing for ``DRY_D`` days while another one saw ``WET_MM`` on several wet days did not record.
Limits: common practice, no source.
"""

import polars as pl

from transforms.methods import calendar_day
from transforms.methods.texts import joined

MONTH, YEAR = "31d", "365d"
MOST_YEARS = 2.5
STORM_MM, OTHER_SHARE = 100.0, 0.1
DRY_D = 14
WET_MM, WET_DAYS, WET_DAY_MM = 25.0, 3, 2.0
# A year's rain is read off the station's own record from so many days on, single days cut off.
OWN_DAYS, CUT_MM = 365, 50.0
_KEY = ["station", "day"]


def own_year() -> pl.Expr:
    """Return the rain of a usual year [mm] by the record itself, null for a short one (aggregates).

    Days count no more than ``CUT_MM``, so that one impossible day does not make itself possible.
    """
    mean = pl.col("rain_mm").clip(upper_bound=CUT_MM).mean()
    return pl.when(pl.col("rain_mm").count() >= OWN_DAYS).then(365.0 * mean)


def without_dry_runs(days: pl.DataFrame) -> pl.DataFrame:
    """Return days of stations, their rain null where another gauge of the field shows it was lost.

    ``days`` has ``station``, ``day`` (without gaps), ``field``, ``rain_mm`` [mm] and
    ``rain_coverage``. Added is ``dry_reason``, null where the day stays as it was.
    """
    whole = pl.col("rain_coverage") >= calendar_day.WHOLE
    dry = (whole & (pl.col("rain_mm") == 0)).fill_null(False)
    runs = days.sort(_KEY).with_columns(run=pl.struct("station", "field", dry=dry).rle_id())
    long = runs.filter(dry & (pl.len().over("run") >= DRY_D) & pl.col("field").is_not_null())
    beside = (
        long.select("run", "station", "field", "day")
        .join(days.select("field", "day", "rain_mm", other="station"), on=["field", "day"])
        .filter(pl.col("station") != pl.col("other"))
        .group_by("run", "other")
        .agg(
            other_mm=pl.col("rain_mm").sum(),
            wet=(pl.col("rain_mm") >= WET_DAY_MM).sum(),
            run_d=pl.len(),
        )
        .filter((pl.col("other_mm") >= WET_MM) & (pl.col("wet") >= WET_DAYS))
        .sort("run", "other_mm", "other", descending=[False, True, False])
        .unique("run", keep="first", maintain_order=True)
    )
    reason = pl.format(
        "the gauge caught nothing on {} days in a row while {} caught {} mm",
        "run_d",
        "other",
        pl.col("other_mm").round(1),
    )
    lost = pl.col("other").is_not_null()
    return (
        runs.join(beside, on="run", how="left", maintain_order="left")
        .with_columns(
            rain_mm=pl.when(~lost).then("rain_mm"),
            rain_coverage=pl.when(lost).then(0.0).otherwise("rain_coverage"),
            dry_reason=pl.when(lost).then(reason),
        )
        .drop("run", "run_d", "other", "other_mm", "wet")
    )


def with_doubt(days: pl.DataFrame, normal_day: pl.DataFrame) -> pl.DataFrame:
    """Add ``rain_doubtful`` and ``doubt_reason`` to days of stations (as above), in order of days."""
    normal = normal_day.filter(pl.col("days_in_year") == 365)["rain_mm"]
    year = normal.sum() if len(normal) and not normal.null_count() else None
    days = days.with_columns(
        year_mm=pl.coalesce(pl.lit(year, pl.Float64), own_year().over("station"))
    )
    days = days.join(_others(days), on=_KEY, how="left", maintain_order="left")
    alone = (pl.col("rain_mm") >= STORM_MM) & (
        pl.col("others_mm") < OTHER_SHARE * pl.col("rain_mm")
    )
    days = days.with_columns(
        too_much=(pl.col("rain_mm") > pl.col("year_mm")).fill_null(False),
        alone=alone.fill_null(False),
    )
    # A day that is doubtful by itself makes no doubt of the days after it.
    usual = pl.when(~pl.col("too_much") & ~pl.col("alone")).then("rain_mm").fill_null(0.0)
    days = days.with_columns(
        _sum(usual, MONTH).alias("month_mm"), _sum(usual, YEAR).alias("year_to_day_mm")
    )
    wet = pl.col("rain_mm") > 0
    month = wet & (pl.col("month_mm") > pl.col("year_mm"))
    long = wet & (pl.col("year_to_day_mm") > MOST_YEARS * pl.col("year_mm"))
    reason = joined(
        pl.when("too_much").then(pl.lit("more rain in a day than in a usual year")),
        pl.when("alone").then(pl.lit("no other gauge of the field caught a tenth of it")),
        pl.when(month).then(pl.lit("more rain in a month than in a usual year")),
        pl.when(long).then(pl.lit("far more rain in a year than in a usual one")),
    )
    return (
        days.with_columns(doubt_reason=reason)
        .with_columns(rain_doubtful=pl.col("doubt_reason").is_not_null())
        .drop("year_mm", "others_mm", "too_much", "alone", "month_mm", "year_to_day_mm")
    )


def _sum(value: pl.Expr, window: str) -> pl.Expr:
    return value.rolling_sum_by("day", window_size=window).over("station", order_by="day")


def _others(days: pl.DataFrame) -> pl.DataFrame:
    """Return the most that another gauge of the field caught around each storm, in three days."""
    storms = days.filter((pl.col("rain_mm") >= STORM_MM) & pl.col("field").is_not_null())
    near = calendar_day.each_day(
        storms.select(*_KEY, "field"),
        pl.col("day").dt.offset_by("-1d"),
        pl.col("day").dt.offset_by("1d"),
        "on",
    )
    whole = days.filter(pl.col("rain_coverage") >= calendar_day.WHOLE)
    return (
        near.join(whole.select("field", "rain_mm", other="station", on="day"), on=["field", "on"])
        .filter(pl.col("station") != pl.col("other"))
        .group_by(*_KEY, "other")
        .agg(pl.col("rain_mm").sum(), days=pl.len())
        .filter(pl.col("days") == 3)
        .group_by(_KEY)
        .agg(others_mm=pl.col("rain_mm").max())
    )
