"""Rain that cannot be or is hard to believe, and gauges whose zeros are no record.

What is doubtful and which gauge was lost is decided where rain is made into days (``weather_day``,
``weather_used_day``); here such days become findings, one a cause and not one a day.
"""

from __future__ import annotations

import polars as pl

from transforms.health.methods.spans import WHO, checked_days, labeled, spans
from transforms.methods.texts import each_once

GAUGE = "rain gauge"
USED = ("station", "day", "rain_mm", "rain_from", "rain_doubtful", "gauge_lost", "reason")
BRIDGE_D = 31  # a storm's days, or those of a gauge that counts too much, are one cause
LOST_BRIDGE_D = 1
LESS = ("gauge blocked", "gauge dry")  # findings that have a lost gauge as their cause
IMPOSSIBLE = "more rain than was ever measured anywhere in its length of time"


def rain(
    weather_day: pl.DataFrame, weather_used_day: pl.DataFrame, neighbors: pl.DataFrame
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Find doubtful and impossible rain and lost gauges; return them and the days checked.

    ``neighbors``: as ``near.neighbors``; without the record of one a gauge is not checked for being lost.
    """
    days = labeled(weather_used_day.select(USED), "station", GAUGE)
    beyond = labeled(
        weather_day.select("station", "day", rain_mm="rain_impossible_mm").drop_nulls(),
        "station",
        GAUGE,
        "rain impossible",
    )
    causes = each_once(pl.col("reason")).alias("cause")
    amount = pl.col("rain_mm").sum().alias("rain_in_question_mm")
    own = pl.col("rain_from") == pl.col("instrument")
    doubtful = days.filter(pl.col("rain_doubtful") & own).with_columns(
        finding=pl.lit("rain doubtful")
    )
    lost = days.filter("gauge_lost").with_columns(finding=pl.lit("gauge lost"))
    found = [
        spans(doubtful, BRIDGE_D, (causes, amount)),
        spans(
            beyond,
            BRIDGE_D,
            (pl.lit(IMPOSSIBLE).alias("cause"), amount),
        ),
        spans(lost, LOST_BRIDGE_D, (causes,)),
    ]
    recorded = days.filter((pl.col("rain_mm").is_not_null() & own) | pl.col("gauge_lost"))
    others = recorded.select("day", other="station")
    judged = neighbors.select("station", "other").join(others, on="other").select("station", "day")
    beside = recorded.join(judged, on=["station", "day"], how="semi")
    seen = [
        checked_days(
            pl.concat([recorded, beyond], how="diagonal"), "rain doubtful", "rain impossible"
        ),
        checked_days(beside, "gauge lost"),
    ]
    return pl.concat(found, how="diagonal"), pl.concat(seen)


def once(found: pl.DataFrame) -> pl.DataFrame:
    """Return findings in which a lost gauge is reported once.

    A gauge that a neighbor shows to catch too little in the same days is that one finding, with what
    the lost weeks say as its cause.
    """
    at = ["kind", "instrument", "part"]
    lost = found.filter(pl.col("finding") == "gauge lost").select(
        *at, "from_day", "to_day", why="cause"
    )
    less = found.filter(pl.col("finding").is_in(LESS)).select(*WHO, first="from_day", last="to_day")
    both = less.join(lost, on=at).filter(
        (pl.col("from_day") <= pl.col("last")) & (pl.col("to_day") >= pl.col("first"))
    )
    told = both.select(*at, "from_day", finding=pl.lit("gauge lost")).unique()
    causes = (
        both.sort("from_day")
        .group_by(*WHO, "first", maintain_order=True)
        .agg(each_once(pl.col("why")))
    )
    return (
        found.join(told, on=[*WHO, "from_day"], how="anti")
        .join(causes.rename({"first": "from_day"}), on=[*WHO, "from_day"], how="left")
        .with_columns(cause=pl.coalesce("cause", "why"))
        .drop("why")
    )
