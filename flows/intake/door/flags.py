"""Flags of a network: what each says of its value, and the values that it takes out of the readings."""

from __future__ import annotations

from collections.abc import Container, Iterator

import polars as pl

from flows.intake.door.rejected import REJECTED, rejections
from flows.intake.readers.chunk import FLAG_OF, is_value
from schemas.farm.layout import Layout
from schemas.flags import WITHHELD, meaning_of

MEANING = "m:"  # begins the column that says what the flag of a column of values means
MOST_DAYS = 31  # that ``rain_over_d`` can say
VALUE = "value"  # the one column of values of a long file of named series
NUMBER = r"^([-+]?[\d.,' ]*\d[.,]?)?\s*([^\s\d.,+-].*)?$"  # a number, and letters behind it

FLAGGED = pl.Schema(
    {
        "seq": pl.Int64(),
        "line": pl.Int64(),
        "instrument": pl.String(),
        "depth_cm": pl.Float64(),
        "time": pl.Datetime("us", "UTC"),
        "quantity_column": pl.String(),
        "value": pl.Float64(),
        "flag": pl.String(),
        "meaning": pl.String(),
    }
)


def letters_behind(layout: Layout, name: str) -> set[str]:
    """Return the flags that stand behind the numbers of a column (``12.3T``), none if they do not."""
    named = layout.columns if name == VALUE else [_key(name)]
    if layout.flag_column is not None:
        return set()
    return {flag for n in named if layout.columns[n].flag is None for flag in layout.flags_of(n)}


def split_letters(frame: pl.DataFrame, name: str, flags: set[str]) -> pl.DataFrame:
    """Return the frame with the letters behind the numbers of a text column in a column of flags.

    Letters without a number are a flag only if they are one of ``flags``.
    """
    text = pl.col(name).str.strip_chars()
    number, letters = text.str.extract(NUMBER, 1), text.str.extract(NUMBER, 2)
    is_flag = letters.is_not_null() & (number.is_not_null() | letters.is_in(sorted(flags)))
    parted = (is_flag & text.cast(pl.Float64, strict=False).is_null()).fill_null(False)
    return frame.with_columns(
        pl.when(parted).then(number.fill_null("")).otherwise(name).alias(name),
        pl.when(parted).then(letters).alias(FLAG_OF + _key(name)),
    )


def _key(name: str) -> str:
    """Return what a column of values is called behind the mark of its flags."""
    return name.removeprefix("v:")


def apply(frame: pl.DataFrame, layout: Layout) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Return the frame with what its flags mean, and the rejected cells (``REJECTED``).

    A value that its flag calls missing is gone; a trace is zero (WMO-No. 8: an amount that is too
    small to be measured, and adds nothing to a sum). A value whose flag the layout does not name is
    rejected. What the flags mean is in a column of its own, for the values that have any.
    """
    rejected = [pl.DataFrame(schema=REJECTED)]
    for name in [name for name in frame.columns if is_value(name)]:
        own = FLAG_OF + _key(name)
        flag = own if own in frame.columns else "flag"
        if flag not in frame.columns:
            continue
        written = pl.col(flag).fill_null("").alias(own)
        frame = frame.with_columns(written)
        frame = frame.with_columns(_meaning(frame, layout, name).alias(MEANING + _key(name)))
        meaning = pl.col(MEANING + _key(name))
        unknown = meaning.is_null() & pl.col(name).is_not_null()
        for rows, column in _by_column(frame.filter(unknown), layout, name):
            known = ", ".join(layout.flags_of(column))
            expected = f"one of the flags that the layout names: {known}"
            rejected.append(rejections(rows, column, "unknown flag", pl.col(own), expected))
        value = pl.when(~unknown & (meaning != "missing").fill_null(True)).then(name)
        frame = frame.with_columns(
            pl.when(meaning == "trace").then(0.0).otherwise(value).alias(name)
        )
    return frame, pl.concat(rejected)


def _by_column(rows: pl.DataFrame, layout: Layout, name: str) -> Iterator[tuple[pl.DataFrame, str]]:
    """Yield rows by the column of the layout that they are of."""
    if name != VALUE:
        yield rows, _key(name)
        return
    for column in layout.columns:
        own = rows.filter(_is_series(layout, column))
        if not own.is_empty():
            yield own, column


def _is_series(layout: Layout, column: str) -> pl.Expr:
    return pl.col("series").str.strip_chars().is_in([column, *layout.columns[column].names])


def _meaning(frame: pl.DataFrame, layout: Layout, name: str) -> pl.Expr:
    """Return what the flags of a column of values mean, null where the layout does not say."""
    own = FLAG_OF + _key(name)
    written = frame[own].unique().to_list()

    def of(column: str) -> pl.Expr:
        flags = layout.flags_of(column)
        known = {word: meaning_of(word, flags) if flags else "good" for word in written}
        return pl.col(own).replace_strict(known, return_dtype=pl.String)

    if name != VALUE:
        return of(_key(name))
    found = pl.lit("good")
    for column in layout.columns:
        found = pl.when(_is_series(layout, column)).then(of(column)).otherwise(found)
    return found


def withheld(column: str) -> pl.Expr:
    """Return which values of a column of the layout are kept apart from the readings."""
    return pl.col(MEANING + column).is_in(WITHHELD).fill_null(False)


def flagged_rows(
    frame: pl.DataFrame, name: str, column: str, value: pl.Expr, known: dict[str, pl.Expr]
) -> pl.DataFrame:
    """Return the withheld values (``FLAGGED``) of column ``name``, which land in ``column``.

    ``known``: the ``instrument`` and ``depth_cm`` that the rows are of.
    """
    return frame.filter(withheld(name) & value.is_not_null()).select(
        "seq",
        "line",
        **known,
        time="time",
        quantity_column=pl.lit(column),
        value=value,
        flag=FLAG_OF + name,
        meaning=MEANING + name,
    )


def tells_totals(layout: Layout, name: str) -> bool:
    """Return whether a column of rain may have totals of several days."""
    rule = layout.columns[name]
    if (rule.quantity, rule.counts) != ("rain", "increment"):
        return False
    return "accumulated" in layout.flags_of(name).values() or layout.rain_days_column is not None


def days_of_total(columns: Container[str], name: str) -> pl.Expr:
    """Return ``rain_over_d`` of a column of rain: how many days, 0 for several without a number.

    ``columns``: those of the frame.
    """
    days: pl.Expr = pl.lit(None, pl.Float64)
    if "days" in columns:
        days = pl.col("days").cast(pl.Float64, strict=False)
        days = pl.when(days >= 1).then(pl.when(days <= MOST_DAYS).then(days).otherwise(0.0))
    there = pl.col(f"v:{name}").is_not_null()
    if MEANING + name in columns:
        several = pl.col(MEANING + name) == "accumulated"
        days = pl.coalesce(days, pl.when(several).then(0.0))
        there &= ~withheld(name)
    return pl.when(there).then(days.fill_null(1.0))
