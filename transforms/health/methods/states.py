"""What each check of each instrument came to: where nothing was found, good or not evaluated."""

from __future__ import annotations

from datetime import date

import polars as pl

from transforms.health.methods import heard, set_aside, station_pairs
from transforms.health.methods.spans import WHO, labeled

INSTRUMENT = ["kind", "instrument"]
SETTLED_D = 7  # a finding that ended so long ago may still stand: nothing newer says otherwise
CURRENT_D = {
    "rain disagreement": 31,
    "hand gauge disagreement": 31,
    "rain doubtful": 31,
    "rain impossible": 31,
    "gauge lost": 31,
    "set aside": 0,
    "gap": 0,
    "gap pattern": 62,
    "gauge blocked": 62,
    "gauge dry": 92,
    "radiation low": 62,
    "radiation high": 62,
    "clock": 31,
    "clock late": 31,
    "temperature disagreement": 62,
    "humidity disagreement": 62,
}

GIVES = ("no values", "flagged as suspect")  # or not: every part of a station and every sensor
BATTERY = ("battery failing", "battery falling")
_BOTH = {
    "whole": ("silent", "gap", "gap pattern"),
    "battery": BATTERY,
    "clock": ("clock", "clock late"),
}
PARTS: dict[str, dict[str, tuple[str, ...]]] = {
    "station": {
        **_BOTH,
        "rain gauge": (
            *GIVES,
            *("gauge blocked", "gauge dry", "gauge lost", "rain disagreement"),
            *("hand gauge disagreement", "rain doubtful", "rain impossible"),
        ),
        "rain counter": ("counter jump",),
        "radiation": (*GIVES, "stuck", "radiation low", "radiation high"),
        "air temperature": (*GIVES, "stuck", "temperature disagreement"),
        "humidity": (*GIVES, "stuck", "humidity disagreement"),
        "wind": (*GIVES, "stuck"),
        "air pressure": (*GIVES, "stuck"),
        "snow depth": (*GIVES, "stuck"),
    },
    "probe": {**_BOTH, "whole": (*_BOTH["whole"], "probe disturbed", "depths exchanged")},
}
OF_SENSOR = (*GIVES, "flagged as frozen", "stuck", "impossible")
OF_SOIL_TEMPERATURE = GIVES


def every(
    spells: pl.DataFrame, sensor: pl.DataFrame, sensor_run: pl.DataFrame, days: pl.DataFrame
) -> pl.DataFrame:
    """Every check of every instrument and sensor."""
    named = [
        (kind, part, finding)
        for kind, parts in PARTS.items()
        for part, findings in parts.items()
        for finding in findings
    ]
    checks = pl.DataFrame(named, schema=["kind", "part", "finding"], orient="row")
    whole = spells.select(INSTRUMENT).unique().join(checks, on="kind")
    depths = pl.concat([f.select("probe", "depth_cm") for f in (sensor, sensor_run)]).unique()
    by_depth = labeled(depths, "probe", heard.named_depth()).select(*INSTRUMENT, "part", "depth_cm")
    each = [by_depth.with_columns(finding=pl.lit(f)) for f in OF_SENSOR]
    temperature = (
        days.filter((pl.col("kind") == "probe") & pl.col("part").str.ends_with(heard.TEMPERATURE))
        .select(*INSTRUMENT, "part", "depth_cm")
        .unique()
    )
    warmth = [temperature.with_columns(finding=pl.lit(f)) for f in OF_SOIL_TEMPERATURE]
    return pl.concat([whole, *each, *warmth], how="diagonal")


def without(
    every: pl.DataFrame,
    found: pl.DataFrame,
    seen: pl.DataFrame,
    aside: pl.DataFrame,
    as_of: date,
) -> pl.DataFrame:
    """The checks that found nothing that still stands: good since when, or not evaluated.

    What a pair of stations differs by is reported at one of them; the other is not called good. Nor is
    what the field book sets aside as of that day (``aside``: ``set_aside.standing``).
    """
    whole_aside = aside.filter(pl.col("part") == set_aside.WHOLE)
    over = found.filter(~pl.col("current")).group_by(WHO).agg(over=pl.col("to_day").max())
    # A battery that is failing is not, besides, good at not falling.
    other = dict(zip(BATTERY, reversed(BATTERY), strict=True))
    standing = found.filter("current").select(WHO)
    battery = standing.filter(pl.col("finding").is_in(BATTERY))
    standing = pl.concat(
        [standing, battery.with_columns(pl.col("finding").replace(other))]
    ).unique()
    told = found.filter(
        pl.col("current") & pl.col("finding").is_in(station_pairs.TOLD_ONCE)
    ).select("kind", "part", "finding", instrument="compared_with", told_at="instrument")
    rows = (
        every.join(standing, on=WHO, how="anti")
        .join(seen.drop("depth_cm"), on=WHO, how="left")
        .join(over, on=WHO, how="left")
        .join(told.unique(WHO, keep="first", maintain_order=True), on=WHO, how="left")
        .join(_words(aside, set_aside.PART, "aside"), on=set_aside.PART, how="left")
        .join(_words(whole_aside, INSTRUMENT, "all_aside"), on=INSTRUMENT, how="left")
        .with_columns(pl.coalesce("aside", "all_aside"))
    )
    known = pl.col("checked_to").is_not_null() & (
        pl.col("over").is_null() | (pl.col("checked_to") > pl.col("over"))
    )
    day = pl.lit(as_of, pl.Date)
    stale = (day - pl.col("checked_to")).dt.total_days() > late_d(SETTLED_D)
    good = known & ~stale & pl.col("told_at").is_null() & pl.col("aside").is_null()
    since = pl.max_horizontal("checked_from", pl.col("over").dt.offset_by("1d"))
    return rows.with_columns(
        state=pl.when(good).then(pl.lit("good")).otherwise(pl.lit("not evaluated")),
        from_day=pl.when(good).then(since).otherwise(day),
        to_day=pl.when(good).then("checked_to").otherwise(day),
        current=pl.lit(True),
        reason=pl.when(pl.col("aside").is_not_null())
        .then("aside")
        .when(pl.col("told_at").is_not_null())
        .then(pl.format("the two stations differ; see {}", "told_at"))
        .when(pl.col("checked_to").is_not_null() & ~good)
        .then(pl.format("nothing to judge by since {}", "checked_to")),
    ).drop("checked_from", "checked_to", "over", "told_at", "aside", "all_aside")


def _words(aside: pl.DataFrame, by: list[str], name: str) -> pl.DataFrame:
    """What is set aside, as text."""
    words = pl.format("set aside by the field book since {}: {}", "since", "why")
    return aside.select(*by, words.alias(name)).unique(by, keep="first", maintain_order=True)


def late_d(least: int) -> pl.Expr:
    """Days after which a finding is over, and a good one too old to be called good."""
    days = pl.col("finding").replace_strict(CURRENT_D, default=SETTLED_D, return_dtype=pl.Int64)
    return days.clip(lower_bound=least)
