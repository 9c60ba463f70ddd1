"""Runs of days on end: all days on which something is so, in few rows.

A run has its first day in ``day`` and its last in ``to_day``; days with nothing between are one run.
"""

from __future__ import annotations

from datetime import timedelta

import polars as pl

RUN = ["day", "to_day"]
LENGTH_D = (pl.col("to_day") - pl.col("day")).dt.total_days() + 1
_DAY = timedelta(days=1)


def in_order(rows: pl.DataFrame, by: list[str]) -> pl.DataFrame:
    """Return rows sorted by ``by``: as they are if they lie so, since sorting takes longer than looking."""
    later = pl.lit(True)
    for name in reversed(by):
        value, before = pl.col(name), pl.col(name).shift(1)
        later = (value > before) | ((value == before) & later)
    lies_so = rows.select(later.slice(1).all()).item()
    return rows if lies_so else rows.sort(by)


def of_days(days: pl.DataFrame, by: list[str], where: pl.Expr | None = None) -> pl.DataFrame:
    """Return the runs of rows ``where`` something is so, sorted by ``by`` and day, each day once."""
    if where is not None:
        days = days.select(*by, "day", _where=where).filter("_where")
    same = [pl.col(name).eq_missing(pl.col(name).shift(1)) for name in by]
    follows = pl.all_horizontal(*same, pl.col("day").diff() == _DAY).fill_null(False)
    rows = days.select(*by, "day", first=~follows)
    last = rows["first"].shift(-1, fill_value=True)
    return rows.filter("first").select(*by, "day", rows.filter(last)["day"].alias("to_day"))


def union(runs: pl.DataFrame, by: list[str]) -> pl.DataFrame:
    """Return the runs of all days that lie in any of these; other columns as in the first of them."""
    reached = pl.col("to_day").cum_max().shift(1).over(by)
    new = (pl.col("day") > reached + _DAY).fill_null(True)
    return (
        runs.sort(*by, *RUN)
        .with_columns(_run=new.cum_sum())
        .group_by(*by, "_run", maintain_order=True)
        .agg(pl.exclude("to_day").first(), pl.col("to_day").max())
        .select(runs.columns)
    )


def without(runs: pl.DataFrame, taken: pl.DataFrame, by: list[str]) -> pl.DataFrame:
    """Return the runs of what is left of each by the days of others; both as ``union`` gives them."""
    inside = (
        runs.join(taken.select(*by, begin="day", end="to_day"), on=by)
        .filter((pl.col("begin") <= pl.col("to_day")) & (pl.col("end") >= pl.col("day")))
        .group_by(*by, *RUN)
        .agg(after=(pl.col("end") + _DAY).sort(), before=(pl.col("begin") - _DAY).sort())
    )
    none = pl.lit([], pl.List(pl.Date))
    return (
        runs.join(inside, on=[*by, *RUN], how="left", maintain_order="left")
        .with_columns(
            day=pl.concat_list("day", pl.col("after").fill_null(none)),
            to_day=pl.concat_list(pl.col("before").fill_null(none), "to_day"),
        )
        .drop("after", "before")
        .explode("day", "to_day")
        .filter(pl.col("day") <= pl.col("to_day"))
    )
