"""What the commands that take a query share: its options, and how the answer is handed over.

Imports inside functions are for start-up time.
"""

from __future__ import annotations

import shutil
import sys
from contextlib import AbstractContextManager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from flows.base.errors import UserError
from flows.cli.base import hand_over, say

if TYPE_CHECKING:
    import duckdb

Query = Annotated[
    str | None, typer.Argument(metavar="QUERY", help="without one, it is read from the input")
]
AsCsv = Annotated[bool, typer.Option("--csv", help="as CSV")]
AsRecords = Annotated[bool, typer.Option("--json", help="as a JSON list of records")]
ToParquet = Annotated[Path | None, typer.Option(metavar="FILE", help="write a Parquet file")]
RowsShown = Annotated[int, typer.Option(help="rows shown of a table; 0 for all", min=0)]


@dataclass(frozen=True, slots=True)
class Form:
    """How an answer is wanted: one of CSV, JSON and a Parquet file, or a table of so many rows."""

    csv: bool
    json: bool
    parquet: Path | None
    rows: int


def query_of(text: str | None, form: Form, example: str) -> str:
    """Return the query, from the input if none is given. Raises UserError if it or its form is none."""
    if sum((form.csv, form.json, form.parquet is not None)) > 1:
        raise UserError("Choose one of --csv, --json and --parquet.")
    if text is None and sys.stdin.isatty():
        raise UserError(f"Give a query, for example: {example}")
    return sys.stdin.read() if text is None else text


def answer(
    opened: AbstractContextManager[duckdb.DuckDBPyConnection], text: str, form: Form
) -> None:
    """Ask a database that is opened for it, and hand the answer over."""
    from flows.store import answer_table, query

    with opened as con:
        found = query.ask(con, text)
        if not (form.csv or form.json or form.parquet):
            width = shutil.get_terminal_size().columns if sys.stdout.isatty() else None
            say(answer_table.to_table(found, form.rows, query.time_zone(con), width))
            return
        from flows.store import answer as answers

        frame = answers.frame(found)
    if form.parquet is not None:
        answers.to_parquet(frame, form.parquet)
        say(f"Written to {form.parquet}.")
    elif form.csv:
        hand_over(answers.to_csv(frame))
    else:
        hand_over(answers.to_json(frame) + "\n")
