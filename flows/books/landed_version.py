"""Write what a version of a book says and what became of it: tables, problems, quarantine, receipt."""

from collections.abc import Iterable
from typing import Any

import duckdb
import polars as pl

from flows.books.fieldbook import Problem
from flows.store import publish_guard, warehouse
from flows.store.receipts import Receipt
from schemas import generated
from schemas.catalogue import TABLES

EXTENT = {
    "book": "delivery",
    "image": "delivery",
    "sheet": "delivery",
    "row": "row",
    "value": "value",
}


def replace_if_changed(con: duckdb.DuckDBPyConnection, name: str, frame: pl.DataFrame) -> None:
    """Write a set-up table where it says something else than before."""
    table = TABLES[name]
    if not warehouse.read(con, table).equals(frame.sort(table.key)):
        warehouse.replace(con, table, frame)
        publish_guard.explain_loss(con, name)


def list_problems(con: duckdb.DuckDBPyConnection, kind: str, problems: list[Problem]) -> None:
    """Write every fault of the book as saved last, those that cost nothing too, to ``book_problem``."""
    table = TABLES["book_problem"]
    entries = [
        {
            "book": kind,
            "sheet": p.sheet,
            "line": p.row,
            "column_name": p.column,
            "cause": p.cause,
            "found": p.found,
            "expected": p.expected,
            "lost": p.extent,
            "sentence": p.sentence,
        }
        for p in problems
    ]
    others = warehouse.read(con, table).filter(pl.col("book") != kind)
    mine = pl.DataFrame(entries, schema=generated.polars_schema(table), orient="row")
    mine = mine.unique(table.key, keep="first", maintain_order=True)
    replace_if_changed(con, table.name, pl.concat([others, mine]))


def write_quarantine(
    con: duckdb.DuckDBPyConnection, receipt: Receipt, problems: list[Problem]
) -> None:
    """Write the rejected sheets, rows and values of a version to ``quarantine``."""
    table = TABLES["quarantine"]
    entries: list[dict[str, Any]] = [
        {
            "delivery": receipt.delivery,
            "line": p.row,
            "column_name": "/".join(word for word in (p.sheet, p.column) if word),
            "source": receipt.kind,
            "name": receipt.name,
            "extent": EXTENT[p.extent],
            "cause": p.cause,
            "found": p.found,
            "expected": p.expected,
        }
        for p in problems
        if p.extent in EXTENT
    ]
    if entries:
        frame = pl.DataFrame(entries, infer_schema_length=None).unique(
            table.key, keep="first", maintain_order=True
        )
        warehouse.append(con, table, generated.conform(frame, table))


def write_receipt(
    con: duckdb.DuckDBPyConnection, receipt: Receipt, setup: str, state: str, reason: str | None
) -> None:
    """Write what became of a version to ``delivery``."""
    write_receipts(con, setup, [(receipt, state, reason)])


def write_receipts(
    con: duckdb.DuckDBPyConnection, setup: str, became: Iterable[tuple[Receipt, str, str | None]]
) -> None:
    """Write what became of several versions (state, reason) to ``delivery``."""
    table = TABLES["delivery"]
    rows = [
        {
            "delivery": receipt.delivery,
            "sha256": receipt.sha256,
            "sequence": receipt.sequence,
            "received_at": receipt.received_at,
            "source": receipt.kind,
            "name": receipt.name,
            "setup": setup,
            "size_bytes": receipt.size,
            "state": state,
            "reason": reason,
        }
        for receipt, state, reason in became
    ]
    frame = pl.DataFrame(rows, schema_overrides={"reason": pl.String}, infer_schema_length=None)
    warehouse.append(con, table, generated.conform(frame, table))
