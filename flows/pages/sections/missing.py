"""Which kinds of result a season lacks, and why: none is left out of a page without a sentence."""

import polars as pl

from flows.pages.cells import Line, Phrase, cell, joined, say, words
from flows.pages.published_tables import Tables
from schemas.results import RESULTS, Result


def lines(tables: Tables, field: str, season: int) -> list[Line]:
    """Name the kinds of result that a season has no value of; those with one reason together."""
    why: dict[str, Phrase] = {}
    names: dict[str, list[Phrase]] = {}
    for result in RESULTS:
        rows = tables(result.table, field=field, season=season)
        if rows[result.column].count():
            continue
        text, phrase = _reason(result, rows)
        why.setdefault(text, phrase)
        names.setdefault(text, []).append((words(result.name),))
    return [
        Line(say("Missing: {names} ({why}).", names=joined(n), why=why[t]))
        for t, n in names.items()
    ]


def _reason(result: Result, rows: pl.DataFrame) -> tuple[str, Phrase]:
    """Return the reason that most of the rows give, as text and as a cell."""
    given = rows.filter(pl.col("reason").is_not_null())
    if given.is_empty():
        return result.without, (words(result.without),)
    most = given["reason"].mode().sort()[0]
    row = given.filter(pl.col("reason") == most).to_dicts()[0]
    return most, (cell(result.table, row, "reason"),)
