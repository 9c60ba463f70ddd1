"""Other water that came to a strip's soil between the value before a rain event and that after it."""

import polars as pl

from transforms.methods import calendar_day
from transforms.methods.irrigation import with_irrigation

_KEY = ["field", "strip", "began"]


def irrigation(
    rows: pl.DataFrame, irrigation_day: pl.DataFrame, farm: pl.DataFrame, until: str, name: str
) -> pl.DataFrame:
    """Return the irrigation of the days from ``before_at`` to ``until`` under ``name``, by event and strip.

    Null where it is not known, or where either instant is not; 0 where none is on record. Days
    that either value is in count whole, as a record of irrigation has no hour.
    """
    days = calendar_day.each_day(
        rows.select(*_KEY, "before_at", until),
        calendar_day.day_after(pl.col("before_at"), farm),
        calendar_day.day_of(pl.col(until), farm),
    )
    found = (
        with_irrigation(days, irrigation_day)
        .group_by(_KEY)
        .agg(
            pl.when(pl.col("irrigation_mm").null_count() == 0)
            .then(pl.col("irrigation_mm").sum())
            .alias(name)
        )
    )
    return rows.select(_KEY).join(found, on=_KEY, how="left")


def other_rain(rows: pl.DataFrame, clusters: pl.DataFrame, until: str, name: str) -> pl.DataFrame:
    """Rain of other clusters of the field between the value before and the value after."""
    # Clusters of a field follow each other, so those between two moments are a run of their numbers.
    number = pl.col("cluster").cast(pl.Int64)
    begins = clusters.select("field", other_began="began", last=number).sort("other_began")
    ends = clusters.select("field", other_ended="ended", first=number).sort("other_ended")
    other = clusters.select("field", other=number, other_mm="field_mm")
    found = (
        rows.select(*_KEY, "before_at", until, own=number)
        .drop_nulls()
        .sort("before_at")
        .join_asof(
            ends,
            left_on="before_at",
            right_on="other_ended",
            by="field",
            strategy="forward",
            allow_exact_matches=False,
            check_sortedness=False,
        )
        .sort(until)
        .join_asof(
            begins,
            left_on=until,
            right_on="other_began",
            by="field",
            allow_exact_matches=False,
            check_sortedness=False,
        )
        .select(*_KEY, "own", other=pl.int_ranges("first", pl.col("last") + 1))
        .explode("other")
        .filter(pl.col("other") != pl.col("own"))
        .join(other, on=["field", "other"])
        .group_by(_KEY)
        .agg(pl.col("other_mm").sum().alias(name))
    )
    return (
        rows.select(_KEY).join(found, on=_KEY, how="left").with_columns(pl.col(name).fill_null(0.0))
    )
