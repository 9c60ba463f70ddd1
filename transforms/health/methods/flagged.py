"""Values that an instrument's own logger or network flagged as suspect or frozen.

They are kept apart from the readings, so the daily tables know nothing of them. A day counts as
flagged if the part has no other value, or if at least half of its readings were flagged. How many
such days make a finding is common practice, no source.
"""

from __future__ import annotations

import polars as pl

from transforms.health.methods import parts
from transforms.health.methods.heard import PART, WHAT
from transforms.health.methods.spans import WHO, checked_runs, labeled, spans
from transforms.methods import calendar_day

FINDINGS = {"suspect": "flagged as suspect", "frozen": "flagged as frozen"}
LEAST_D, BRIDGE_D = 3, 3
HALF = 0.5
SHOWN = 4  # different flags that a finding names


def days(flagged_reading: pl.DataFrame, farm: pl.DataFrame) -> pl.DataFrame:
    """Return ``heard.WHAT``, day, finding, n and flags: how many readings of a part were flagged a day.

    A day with flags of both kinds is of the kind that most have.
    """
    by_day = [*WHAT, "day"]
    return (
        flagged_reading.select(
            "instrument",
            "time",
            "flag",
            part=parts.of_column(pl.col("quantity_column")),
            kind=pl.when(pl.col("depth_cm") < 0).then(pl.lit("station")).otherwise(pl.lit("probe")),
            depth_cm=pl.when(pl.col("depth_cm") >= 0).then("depth_cm"),
            day=calendar_day.day_of(pl.col("time"), farm),
            finding=pl.col("meaning").replace_strict(FINDINGS, return_dtype=pl.String),
        )
        .drop_nulls("part")
        .group_by(*by_day, "finding")
        .agg(n=pl.col("time").n_unique(), flags=pl.col("flag").unique().sort().head(SHOWN))
        .sort(*by_day, "n", "finding", descending=[False] * 5 + [True, True])
        .group_by(by_day, maintain_order=True)
        .agg(pl.col("finding").first(), pl.col("n").sum(), pl.col("flags").first())
        .select(*by_day, "finding", "n", flags=pl.col("flags").list.join(", "))
    )


def mostly(
    flagged: pl.DataFrame, heard: pl.DataFrame, weather_day: pl.DataFrame, soil_day: pl.DataFrame
) -> pl.DataFrame:
    """Return the flagged days (``days``) of parts that gave few other values, or none.

    ``heard``: the runs of days with values that are not flagged (``heard.value_runs``).
    """
    if flagged.is_empty():
        return flagged
    key = ["kind", "instrument", "depth_cm", "day"]
    theirs = flagged["instrument"].unique().implode()
    rows = pl.concat(
        labeled(frame.filter(pl.col(kind).is_in(theirs)), kind, "").select(*key, "readings")
        for frame, kind in ((weather_day, "station"), (soil_day, "probe"))
    )
    has = (
        flagged.select(*PART, "day")
        .join(heard.select(*PART, begin="day", end="to_day"), on=PART)
        .filter(pl.col("day").is_between("begin", "end"))
        .select(*PART, "day", has=pl.lit(True))
        .unique()
    )
    counted = flagged.join(rows, on=key, how="left", nulls_equal=True).join(
        has, on=[*PART, "day"], how="left"
    )
    half = (pl.col("n") >= HALF * pl.col("readings")).fill_null(False)
    return counted.filter(half | pl.col("has").is_null()).drop("readings", "has")


def found(
    flagged: pl.DataFrame, heard: pl.DataFrame, aside: pl.DataFrame
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Find parts whose values are flagged for days; return them and the days checked.

    ``flagged``: days that are mostly flagged; ``heard``: runs of days with values, of any kind; ``aside``:
    days that the field book sets aside. Only instruments that have ever had a flag are checked.
    """
    day = ["kind", "instrument", "part", "day"]
    bad = flagged.join(aside, on=day, how="anti")
    flags = pl.col("flags").unique().sort().str.join(", ")
    cause = pl.lit("by its own network or logger: ") + pl.coalesce(
        pl.when(flags != "").then(flags), pl.lit("without a letter")
    )
    runs = spans(bad, BRIDGE_D, (cause.alias("cause"),)).filter(pl.col("days") >= LEAST_D)
    ever = flagged.select("kind", "instrument").unique()
    named = heard.filter(pl.col("part") != "whole").join(
        ever, on=["kind", "instrument"], how="semi"
    )
    return runs.select(*WHO, pl.exclude(WHO)), checked_runs(named, *FINDINGS.values())
