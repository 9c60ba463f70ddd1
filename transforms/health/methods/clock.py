"""A clock against the sun, and against when its readings arrive.

Against the sun: the median of the clear days of the last month, so that a morning's cloud does not
count. What a level sensor and a free horizon leave is a few minutes; a tilt of two degrees east or
west shifts the center by some five. Against arrival: the least age of the newest reading on
arrival. A clock that runs slow makes readings look older; so does a way of sending that became
slower, which is why it is only watched, and not where the sun says that the clock is right. Limits
are common practice, no source.
"""

from __future__ import annotations

import polars as pl

from transforms.health.methods.spans import WHO, checked_days, labeled, spans

CLEAR = 0.55
WINDOW, LEAST_DAYS = "31d", 5
OFF_H = 0.2
RIGHT_H = 0.1

LATE_WINDOW, LATE_LEAST = "21d", 6
LATE_H, LATE_MOST_H = 0.5, 6.0
SETTLED_ROWS = 30  # days of arrivals before a habit is one
FRESH_H = 36.0  # older on arrival than that, it was fetched by hand: no clock is to be seen in it
BRIDGE_D = 31


def sun(sun_day: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Find clocks that the sun contradicts; return them and the days checked."""
    days = _medians(sun_day)
    named = labeled(days, "station", "clock", "clock")
    off = named.filter(pl.col("median_h").abs() >= OFF_H)
    found = spans(off, BRIDGE_D, (pl.col("median_h").last().alias("clock_error_h"),))
    return found, checked_days(named, "clock")


def clocks(
    delivery: pl.DataFrame, quarantine: pl.DataFrame, sun_day: pl.DataFrame, as_of: object
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Find clocks that the sun contradicts, or that wrote readings later than their receipt.

    Such readings were refused; they count on the last good day of their file. Returns the findings
    and the days checked.
    """
    by_sun, seen = sun(sun_day)
    future = quarantine.filter(pl.col("cause") == "time after its receipt").join(
        delivery.select("delivery", "station", "probe", "last_reading", "received_at"),
        on="delivery",
    )
    days = future.select(
        kind=pl.when(pl.col("probe").is_null()).then(pl.lit("station")).otherwise(pl.lit("probe")),
        instrument=pl.coalesce("probe", "station"),
        part=pl.lit("clock"),
        finding=pl.lit("clock"),
        depth_cm=pl.lit(None, pl.Float64),
        day=pl.min_horizontal(
            pl.coalesce("last_reading", "received_at").dt.date(), pl.lit(as_of, pl.Date)
        ),
    )
    refused = spans(days.drop_nulls("instrument").unique(maintain_order=True))
    # One day, one finding: if the sun gives the error too, its span stands.
    same = by_sun.select("kind", "instrument", sun_from="from_day", sun_to="to_day")
    doubled = refused.join(same, on=["kind", "instrument"]).filter(
        pl.col("from_day").is_between("sun_from", "sun_to")
    )
    refused = refused.join(doubled, on=[*WHO, "from_day"], how="anti")
    return pl.concat([by_sun, refused], how="diagonal"), seen


def _medians(sun_day: pl.DataFrame) -> pl.DataFrame:
    """Median error of the clear days of the month up to each clear day, where there are enough."""
    clear = sun_day.filter(pl.col("noon_error_h").is_not_null() & (pl.col("clearness") >= CLEAR))
    return (
        clear.sort("station", "day")
        .rolling("day", period=WINDOW, group_by="station")
        .agg(median_h=pl.col("noon_error_h").median(), n=pl.len())
        .filter(pl.col("n") >= LEAST_DAYS)
    )


def arrival(
    delivery: pl.DataFrame, delivery_instrument: pl.DataFrame, sun_day: pl.DataFrame
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Instruments whose newest reading is older on arrival than it used to be."""
    age = (pl.col("received_at") - pl.col("last_reading")).dt.total_seconds() * (1 / 3600)
    days = (
        delivery_instrument.join(
            delivery.select("sequence", "received_at", "last_reading"), on="sequence"
        )
        .with_columns(age_h=age, day=pl.col("received_at").dt.date())
        .filter(pl.col("age_h").is_between(-1.0, FRESH_H))
        .group_by("kind", "instrument", "day")
        .agg(pl.col("age_h").min())
        .sort("kind", "instrument", "day")
    )
    least = (
        days.rolling("day", period=LATE_WINDOW, group_by=["kind", "instrument"])
        .agg(age_h=pl.col("age_h").min(), n=pl.len())
        .filter(pl.col("n") >= LATE_LEAST)
        .sort("kind", "instrument", "day")
        .with_columns(
            usual_h=pl.col("age_h").cum_min().shift(1).over("kind", "instrument"),
            known=pl.int_range(pl.len()).over("kind", "instrument"),
        )
        .filter(pl.col("known") >= SETTLED_ROWS)
    )
    named = least.with_columns(
        part=pl.lit("clock"),
        finding=pl.lit("clock late"),
        depth_cm=pl.lit(None, pl.Float64),
        late_h=pl.col("age_h") - pl.col("usual_h"),
    )
    right = (
        labeled(_medians(sun_day), "station", "clock")
        .filter(pl.col("median_h").abs() <= RIGHT_H)
        .select("kind", "instrument", "day", right=pl.lit(True))
        .sort("day")
    )
    late = (
        named.filter(pl.col("late_h").is_between(LATE_H, LATE_MOST_H))
        .sort("day")
        .join_asof(
            right, on="day", by=["kind", "instrument"], tolerance="31d", check_sortedness=False
        )
        .filter(pl.col("right").is_null())
    )
    found = spans(late, BRIDGE_D, ((-pl.col("late_h").last()).alias("clock_error_h"),))
    return found, checked_days(named, "clock late")
