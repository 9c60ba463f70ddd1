"""Text → numbers, missing codes → nothing; what is neither is rejected."""

from __future__ import annotations

import re

import polars as pl

from flows.intake.door import flags
from flows.intake.door.rejected import REJECTED, rejections
from flows.intake.readers.chunk import as_number, is_value, missing_words
from schemas.farm.layout import ColumnRule, Layout


def to_numbers(frame: pl.DataFrame, layout: Layout) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Return the frame with its value columns as numbers, and the rejected cells (``REJECTED``)."""
    rejected = [pl.DataFrame(schema=REJECTED)]
    values = [name for name in frame.columns if is_value(name)]
    texts = [name for name in values if frame.schema[name] == pl.String]
    words = missing_words(layout)
    for name in texts:
        if letters := flags.letters_behind(layout, name):
            frame = flags.split_letters(frame, name, letters)
        text = pl.col(name).str.strip_chars()
        text = pl.when(~text.is_in(words)).then(text)
        number = _number(text, layout)
        fault = text.is_not_null() & (number.is_null() | number.is_infinite())
        column, expected = name.removeprefix("v:"), "a number or a missing code"
        shown = text.str.slice(0, 80)
        rejected.append(rejections(frame.filter(fault), column, "not a number", shown, expected))
        frame = frame.with_columns(number.alias(name))
    frame = frame.with_columns(_without_codes(name, layout) for name in values)
    frame, unknown = flags.apply(frame, layout)
    return frame, pl.concat([*rejected, unknown])


def _number(text: pl.Expr, layout: Layout) -> pl.Expr:
    if layout.thousands:
        # only between groups of three: 12.5 is not 125 where points part thousands
        mark, decimal = re.escape(layout.thousands), re.escape(layout.decimal)
        grouped = text.str.contains(rf"^\s*[+-]?\d{{1,3}}({mark}\d{{3}})+({decimal}\d*)?\s*$")
        parted = text.str.contains(layout.thousands, literal=True)
        plain = text.str.replace_all(layout.thousands, "", literal=True)
        text = pl.when(grouped).then(plain).when(~parted).then(text)
    if layout.decimal == ",":
        text = pl.when(~text.str.contains(".", literal=True)).then(
            text.str.replace(",", ".", literal=True)
        )
    return text.cast(pl.Float64, strict=False)


def _without_codes(name: str, layout: Layout) -> pl.Expr:
    """Return the column without its missing codes and without not-a-number."""
    rules = [layout.columns[name[2:]]] if name.startswith("v:") else list(layout.columns.values())
    codes = {*layout.missing, *(code for rule in rules for code in rule.missing)}
    numbers = [n for n in map(as_number, codes) if n is not None]
    missing = pl.col(name).is_nan() | pl.col(name).is_infinite()
    if numbers:
        missing = missing | pl.col(name).is_in(numbers)
    return pl.when(~missing).then(pl.col(name)).alias(name)


def beyond_layout(value: str, rule: ColumnRule) -> pl.Expr | None:
    """Return where a value is outside the layout's own limits (in the unit written), if it has any."""
    checks = []
    if rule.low is not None:
        checks.append(pl.col(value) < rule.low)
    if rule.high is not None:
        checks.append(pl.col(value) > rule.high)
    return pl.any_horizontal(checks) if checks else None
