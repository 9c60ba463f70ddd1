"""Rain that a place can hardly have had, and dry weeks that a neighbor contradicts.

The place's own bound is the rain of a normal year: a day, or ``MONTH`` of days, with more than a
whole year's rain, or a year with ``MOST_YEARS`` times as much, is doubtful. Storms of the grain
belts have come near a year's rain in a day, and yearly rain there varies by a quarter to a third
from year to year, so that only one year in a thousand goes so far by itself. Doubtful too is a day
of ``STORM_MM`` and more of which no gauge beside it (within ``BESIDE_KM``, which a cloudburst
covers) caught a tenth. A gauge that caught nothing for ``DRY_D`` days while a neighbor (``near``)
saw ``WET_MM`` on several wet days did not record; of a neighbor farther off it takes ``WET_MM_KM``
more for each kilometer, since showers pass between. As much, of a neighbor beside it or of ``DRY_D``
days, shows that a total of several days is not of all of them, as of a counter that did not count while
its station was silent: it is less than a tenth of the neighbor's. Limits: common practice, no source.
"""

import polars as pl

from transforms.methods import calendar_day
from transforms.methods.texts import joined

MONTH, YEAR = "31d", "365d"
MOST_YEARS = 2.5
STORM_MM, OTHER_SHARE, BESIDE_KM = 100.0, 0.1, 5.0
DRY_D = 14
WET_MM, WET_MM_KM, WET_DAYS, WET_DAY_MM = 25.0, 1.0, 3, 2.0
# A year's rain is read off the station's own record from so many days on, single days cut off.
OWN_DAYS, CUT_MM = 365, 50.0
_KEY = ["station", "day"]


def own_year() -> pl.Expr:
    """Return the rain of a usual year [mm] by the record itself, null for a short one (aggregates).

    Days count no more than ``CUT_MM``, so that one impossible day does not make itself possible.
    """
    mean = pl.col("rain_mm").clip(upper_bound=CUT_MM).mean()
    return pl.when(pl.col("rain_mm").count() >= OWN_DAYS).then(365.0 * mean)


def without_dry_runs(
    days: pl.DataFrame, neighbors: pl.DataFrame, seen: pl.DataFrame
) -> pl.DataFrame:
    """Return days of stations, their rain null where a neighbor shows it was lost.

    ``days`` has ``station``, ``day`` (without gaps), ``rain_mm`` [mm] and ``rain_coverage``;
    ``neighbors`` has ``station``, ``other`` and ``distance_km``; ``seen`` is the rain of the
    others: ``other``, ``day``, ``rain_mm``. Added is ``dry_reason``, null where the day stays as
    it was.
    """
    whole = pl.col("rain_coverage") >= calendar_day.WHOLE
    dry = (whole & (pl.col("rain_mm") == 0)).fill_null(False)
    runs = days.sort(_KEY).with_columns(run=pl.struct("station", dry=dry).rle_id())
    idle = runs.filter(dry & (pl.len().over("run") >= DRY_D)).select(
        "run", "station", "day", run_d=pl.len().over("run")
    )
    beside = _wet_beside(idle, "run", neighbors, seen).select("run", "run_d", "other", "other_mm")
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
        .drop("run", "run_d", "other", "other_mm")
    )


def without_idle_totals(
    days: pl.DataFrame, neighbors: pl.DataFrame, seen: pl.DataFrame
) -> pl.DataFrame:
    """Return days (as of ``without_dry_runs``) without totals that cannot be of all the days they reach back over.

    ``days`` has ``rain_since_day`` too.
    """
    totals = days.filter(pl.col("rain_since_day") < pl.col("day")).select(
        *("station", "rain_mm"),
        since="rain_since_day",
        ends="day",
        total=pl.struct("station", "day"),
        long=(pl.col("day") - pl.col("rain_since_day")).dt.total_days() >= DRY_D,
    )
    spanned = calendar_day.each_day(totals, "since", "ends")
    beside = (
        _wet_beside(spanned, "total", neighbors, seen)
        .filter(pl.col("rain_mm") < OTHER_SHARE * pl.col("other_mm"))
        .filter(pl.col("long") | (pl.col("distance_km") <= BESIDE_KM))
        .select("station", "other", "other_mm", day="ends")
    )
    reason = pl.format(
        "the total since {} is {} mm while {} caught {} mm: it is not of all these days",
        "rain_since_day",
        pl.col("rain_mm").round(1),
        "other",
        pl.col("other_mm").round(1),
    )
    idle = pl.col("other").is_not_null()
    return (
        days.join(beside, on=_KEY, how="left", maintain_order="left")
        .with_columns(
            rain_mm=pl.when(~idle).then("rain_mm"),
            rain_since_day=pl.when(~idle).then("rain_since_day"),
            rain_coverage=pl.when(idle).then(0.0).otherwise("rain_coverage"),
            dry_reason=pl.coalesce("dry_reason", pl.when(idle).then(reason)),
        )
        .drop("other", "other_mm")
    )


def _wet_beside(
    idle: pl.DataFrame, span: str, neighbors: pl.DataFrame, seen: pl.DataFrame
) -> pl.DataFrame:
    """Return a row of ``idle`` for each ``span`` of its days in which a neighbor saw much rain.

    Added are ``other``, the nearest such, its ``distance_km`` and ``other_mm``.
    """
    return (
        idle.join(neighbors.select("station", "other", "distance_km"), on="station")
        .join(seen.rename({"rain_mm": "seen_mm"}), on=["other", "day"])
        .group_by(span, "other", "distance_km")
        .agg(
            pl.exclude("day", "seen_mm").first(),
            other_mm=pl.col("seen_mm").sum(),
            wet=(pl.col("seen_mm") >= WET_DAY_MM).sum(),
        )
        .filter(
            (pl.col("other_mm") >= WET_MM + WET_MM_KM * pl.col("distance_km"))
            & (pl.col("wet") >= WET_DAYS)
        )
        .sort(span, "distance_km", "other_mm", "other", descending=[False, False, True, False])
        .unique(span, keep="first", maintain_order=True)
    )


def with_doubt(
    days: pl.DataFrame, normal_day: pl.DataFrame, neighbors: pl.DataFrame, seen: pl.DataFrame
) -> pl.DataFrame:
    """Add ``rain_doubtful`` and ``doubt_reason`` to days of stations (as above), in order of days."""
    normal = normal_day.filter(pl.col("days_in_year") == 365)["rain_mm"]
    year = normal.sum() if len(normal) and not normal.null_count() else None
    days = days.with_columns(
        year_mm=pl.coalesce(pl.lit(year, pl.Float64), own_year().over("station"))
    )
    days = days.join(_others(days, neighbors, seen), on=_KEY, how="left", maintain_order="left")
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
        pl.when("alone").then(pl.lit("no other gauge beside it caught a tenth of it")),
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


def _others(days: pl.DataFrame, neighbors: pl.DataFrame, seen: pl.DataFrame) -> pl.DataFrame:
    """Return the most that a gauge beside it caught around each storm, in three days."""
    storms = days.filter(pl.col("rain_mm") >= STORM_MM)
    around = calendar_day.each_day(
        storms.select(_KEY),
        pl.col("day").dt.offset_by("-1d"),
        pl.col("day").dt.offset_by("1d"),
        "on",
    )
    return (
        around.join(neighbors.filter(pl.col("distance_km") <= BESIDE_KM), on="station")
        .join(seen.select("other", "rain_mm", on="day"), on=["other", "on"])
        .group_by(*_KEY, "other")
        .agg(pl.col("rain_mm").sum(), days=pl.len())
        .filter(pl.col("days") == 3)
        .group_by(_KEY)
        .agg(others_mm=pl.col("rain_mm").max())
    )
