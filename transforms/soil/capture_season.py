"""Capture of treated beside check over the events of a crop year.

A crop year runs from the day after the harvest before to the harvest of the season (for a field's
first season from the beginning of the record; while the crop stands to its end): rain stored
after harvest is the next crop's. Counted are the events of which both strips have a capture of
the same layers (``rain_event.both_strips``), winter left out. The difference is treated minus
check, event by event, with the 95 % interval of Student's t for paired values; it takes the
events as independent of each other and each as one, a shower like a storm. Shares of rain.
"""

import numpy as np
import polars as pl
from scipy import special

from schemas import generated
from schemas.tables.soil.capture_season import TABLE
from transforms.methods.strips import in_strip
from transforms.methods.texts import joined

LEAST_EVENTS = 3
_KEY = ["field", "season", "days_after"]


def derive(rain_event: pl.DataFrame, season: pl.DataFrame) -> pl.DataFrame:
    """One row a field, season and day after."""
    if season.is_empty():
        return generated.empty(TABLE)
    years = _crop_years(season)
    rows = (
        years.join(
            pl.DataFrame({"days_after": [1, 2]}, schema={"days_after": pl.Int64}), how="cross"
        )
        .join(_sums(years, _pairs(rain_event)), on=_KEY, how="left")
        .with_columns(pl.col("events", "common_events", "winter_events").fill_null(0))
    )
    return generated.conform(_with_reason(_with_interval(rows)).select(TABLE.names), TABLE).sort(
        TABLE.key
    )


def _crop_years(season: pl.DataFrame) -> pl.DataFrame:
    """``after`` (null at first) and ``until`` (null while it stands) of each season's crop year."""
    return season.sort("field", "season").select(
        "field",
        "season",
        "crop",
        after=pl.col("harvested").shift(1).over("field"),
        until="harvested",
    )


def _pairs(event: pl.DataFrame) -> pl.DataFrame:
    """Each event's captures side by side, by days after."""
    by_days = pl.concat(
        event.select(
            "field",
            "began",
            "day",
            "strip",
            "rain_mm",
            "winter",
            days_after=pl.lit(n, pl.Int64),
            capture=pl.when("both_strips").then(f"capture_{n}d"),
        )
        for n in (1, 2)
    )
    return (
        by_days.group_by("field", "began", "day", "days_after")
        .agg(
            pl.col("rain_mm").mean(),
            pl.col("winter").any(),
            treated=in_strip(pl.col("capture"), "treated").first(),
            check=in_strip(pl.col("capture"), "check").first(),
        )
        .with_columns(difference=pl.col("treated") - pl.col("check"))
    )


def _sums(years: pl.DataFrame, pairs: pl.DataFrame) -> pl.DataFrame:
    inside = (pl.col("day") > pl.col("after")).fill_null(True) & (
        pl.col("day") <= pl.col("until")
    ).fill_null(True)
    winter = pl.col("winter")
    common = pl.col("difference").is_not_null() & ~winter
    return (
        years.select("field", "season", "after", "until")
        .join(pairs, on="field")
        .filter(inside)
        .group_by(_KEY)
        .agg(
            events=(~winter).sum().cast(pl.Int64),
            winter_events=winter.sum().cast(pl.Int64),
            common_events=common.sum().cast(pl.Int64),
            from_day=pl.col("day").filter(common).min(),
            to_day=pl.col("day").filter(common).max(),
            rain_mm=pl.col("rain_mm").filter(common).sum(),
            capture_treated=pl.col("treated").filter(common).mean(),
            capture_check=pl.col("check").filter(common).mean(),
            difference=pl.col("difference").filter(common).mean(),
            spread=pl.col("difference").filter(common).std(),
        )
    )


def _with_interval(rows: pl.DataFrame) -> pl.DataFrame:
    n = pl.col("common_events")
    quantile = n.map_batches(
        lambda s: pl.Series(np.asarray(special.stdtrit((s - 1).clip(1).to_numpy(), 0.975))),
        pl.Float64,
    )
    half = pl.when(n >= LEAST_EVENTS).then(quantile * pl.col("spread") / n.cast(pl.Float64).sqrt())
    return rows.with_columns(
        difference_low=pl.col("difference") - half,
        difference_high=pl.col("difference") + half,
        rain_mm=pl.when(n > 0).then("rain_mm"),
        coverage=pl.when(pl.col("events") > 0).then(n / pl.col("events")),
    )


def _with_reason(rows: pl.DataFrame) -> pl.DataFrame:
    n, all_events = pl.col("common_events"), pl.col("events")
    return rows.with_columns(
        partial=(n < all_events) | (n < LEAST_EVENTS) | pl.col("until").is_null(),
        reason=joined(
            pl.when(pl.col("until").is_null()).then(pl.lit("the crop still stands")),
            pl.when((all_events == 0) & (pl.col("winter_events") > 0))
            .then(
                pl.format(
                    "no rain event outside winter ({} left out for snow or frozen soil)",
                    "winter_events",
                )
            )
            .when(all_events == 0)
            .then(pl.lit("no rain event"))
            .when(n < all_events)
            .then(pl.format("{} of {} events have a capture in both strips", n, all_events)),
            pl.when((n > 0) & (n < LEAST_EVENTS)).then(pl.lit("too few events for an interval")),
        ),
    )
