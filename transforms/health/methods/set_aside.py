"""What the field book says must not be used (its sheet ``do not use``): not judged meanwhile.

The daily tables are without these values. So a part that was set aside has no finding as of those
days, and is judged again from the day after them.
"""

from __future__ import annotations

from datetime import date

import polars as pl

from transforms.health.methods.heard import WHAT
from transforms.health.methods.parts import named, words_of
from transforms.methods.calendar_day import OPEN_END

FINDING = "set aside"
WHOLE = "whole"
PART = ["kind", "instrument", "part"]
_NEAR_CM = 1.0  # as for the values themselves (``not_used``)


def days(parts: pl.DataFrame, do_not_use: pl.DataFrame, last: date) -> pl.DataFrame:
    """Return ``PART``, day, since and why: a row a part and day up to ``last`` that is set aside.

    ``parts``: every part (``WHAT``) that is judged, 'whole' among them. An instrument of which each
    part is set aside is so as a whole.
    """
    exploded = (
        _covered(parts, _rows(do_not_use, last))
        .select(*PART, "why", since="from_day", day=pl.date_ranges("from_day", "to_day"))
        .explode("day")
        .unique([*PART, "day"], keep="first", maintain_order=True)
    )
    single = parts.filter(pl.col("part") != WHOLE).unique(PART)
    all_of_it = (
        exploded.filter(pl.col("part") != WHOLE)
        .group_by("kind", "instrument", "day", maintain_order=True)
        .agg(pl.col("why").first(), pl.col("since").max(), n=pl.len())
        .join(single.group_by("kind", "instrument").agg(of=pl.len()), on=["kind", "instrument"])
        .filter(pl.col("n") == pl.col("of"))
        .select(pl.lit(WHOLE).alias("part"), *exploded.drop("part").columns)
        .select(exploded.columns)
    )
    return pl.concat([exploded, all_of_it]).unique(
        [*PART, "day"], keep="first", maintain_order=True
    )


def found(parts: pl.DataFrame, do_not_use: pl.DataFrame, last: date) -> pl.DataFrame:
    """Return a finding a row of the sheet: what is set aside up to ``last``, and why."""
    rows = _rows(do_not_use, last)
    single = parts.filter(pl.col("part") != WHOLE).unique(PART)
    of = single.group_by("kind", "instrument").agg(of=pl.len())
    by_row = (
        _covered(parts, rows)
        .filter(pl.col("part") != WHOLE)
        .group_by("row")
        .agg(pl.col("part").first(), pl.col("depth_cm").first(), n=pl.len())
    )
    sheet = {
        row["row"]: named(row["kind"], row["quantity"], row["not_used_cm"])
        for row in rows.to_dicts()
    }
    of_sheet = pl.col("row").replace_strict(sheet, default=None, return_dtype=pl.String)
    every = (pl.col("n") == pl.col("of")).fill_null(False)
    return (
        rows.join(by_row, on="row", how="left")
        .join(of, on=["kind", "instrument"], how="left")
        .select(
            "kind",
            "instrument",
            "from_day",
            "to_day",
            part=pl.when(every)
            .then(pl.lit(WHOLE))
            .when(pl.col("n") == 1)
            .then("part")
            .otherwise(of_sheet),
            depth_cm=pl.when((pl.col("n") == 1) & ~every).then("depth_cm"),
            finding=pl.lit(FINDING),
            days=(pl.col("to_day") - pl.col("from_day")).dt.total_days() + 1,
            cause=pl.col("why"),
        )
        .sort(*PART, "from_day", "to_day")
        .unique([*PART, "from_day"], keep="last", maintain_order=True)
    )


def standing(aside: pl.DataFrame, as_of: date) -> pl.DataFrame:
    """Return ``PART``, since and why of what is set aside as of a day."""
    return aside.filter(pl.col("day") == as_of).drop("day")


def judged(rows: pl.DataFrame, aside: pl.DataFrame) -> pl.DataFrame:
    """Return rows (``PART``, since, until) whose ``since`` is after all that was set aside by then.

    What is set aside on ``until`` itself so has been quiet for no day.
    """
    known = (
        aside.join(rows.select(*PART, "until"), on=PART)
        .filter(pl.col("day") <= pl.col("until"))
        .group_by(PART)
        .agg(aside_to=pl.col("day").max())
    )
    return (
        rows.join(known, on=PART, how="left", maintain_order="left")
        .with_columns(since=pl.max_horizontal("since", pl.col("aside_to").dt.offset_by("1d")))
        .drop("aside_to")
    )


def _rows(do_not_use: pl.DataFrame, last: date) -> pl.DataFrame:
    """Return the rows of the sheet that have begun, numbered, none later than ``last``."""
    return (
        do_not_use.filter(pl.col("from_day") <= last)
        .sort("kind", "instrument", "from_day", "what")
        .with_columns(to_day=pl.min_horizontal(pl.col("to_day").fill_null(OPEN_END), pl.lit(last)))
        .rename({"depth_cm": "not_used_cm"})
        .with_row_index("row")
    )


def _covered(parts: pl.DataFrame, rows: pl.DataFrame) -> pl.DataFrame:
    """Return each part with each row of the sheet that is about it."""
    away = (pl.col("depth_cm") - pl.col("not_used_cm")).abs()
    all_of_it = pl.col("quantity").is_null() & pl.col("not_used_cm").is_null()
    of_it = (pl.col("quantity").is_null() | (pl.col("quantity") == words_of(pl.col("part")))) & (
        pl.col("not_used_cm").is_null() | (away <= _NEAR_CM)
    )
    return (
        parts.select(WHAT)
        .unique(PART, maintain_order=True)
        .join(rows, on=["kind", "instrument"])
        .filter(pl.when(pl.col("part") == WHOLE).then(all_of_it).otherwise(of_it.fill_null(False)))
    )
