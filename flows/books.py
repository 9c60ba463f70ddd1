"""The files that people keep: the field book and a table of normals, as deliveries.

A saved book is archived like any file, so that every version is kept; the warehouse holds what
the newest readable version says, and the faults of that version.
"""

from __future__ import annotations

import io
import zipfile
from pathlib import Path
from typing import Any

import duckdb
import polars as pl

from flows import fieldbook, normals_table, warehouse
from flows.archive import Archive, Arrival, Receipt
from flows.fieldbook import Problem
from flows.folder import FarmFolder
from schemas import made
from schemas.catalogue import TABLES
from schemas.farm import Farm

# A zip's entries need a date; always the same one, so that the same files give the same bytes.
NO_DATE = (1980, 1, 1, 0, 0, 0)
EXTENT = {"book": "delivery", "sheet": "delivery", "row": "row", "value": "value"}


def arrivals(folder: FarmFolder, farm: Farm, into: Path) -> tuple[list[Arrival], list[str]]:
    """The field book and the normals table as they stand, as files to archive; and notes."""
    found: list[Arrival] = []
    notes: list[str] = []
    book = fieldbook_path(folder, farm)
    if book is not None:
        content = fieldbook.contents(book)
        if book.is_dir():
            path = into / "fieldbook.zip"
            with zipfile.ZipFile(path, "w") as packed:
                for name, data in sorted(content.items()):
                    packed.writestr(zipfile.ZipInfo(name, NO_DATE), data)
        else:
            path = into / book.name
            path.write_bytes(next(iter(content.values()), b""))
        found.append(Arrival(path, "fieldbook", "", path.name, None, "fieldbook"))
    if farm.normals and farm.normals.table:
        table = folder.root / farm.normals.table
        if table.is_file():
            found.append(Arrival(table, "normals", "", table.name, None, "normals"))
        else:
            notes.append(f"There is no file {table}, which normals.table in farm.toml names.")
    return found, notes


def fieldbook_path(folder: FarmFolder, farm: Farm) -> Path | None:
    """The field book: where farm.toml says, or the folder of CSVs; None where there is none."""
    for path in (folder.root / farm.fieldbook, folder.fieldbook_dir):
        if path.exists():
            return path
    return None


def land(
    con: duckdb.DuckDBPyConnection, archive: Archive, farm: Farm, waiting: list[Receipt]
) -> None:
    """Land the newest readable version of each book among the waiting receipts."""
    for kind in ("fieldbook", "normals"):
        newer = False
        for receipt in sorted(waiting, key=lambda r: -r.sequence):
            if receipt.kind == kind:
                newer = _land_version(con, archive, farm, receipt, newer) or newer


def _land_version(
    con: duckdb.DuckDBPyConnection, archive: Archive, farm: Farm, receipt: Receipt, newer: bool
) -> bool:
    """Land one version, unless a newer one stands; whether it could be read."""
    if newer:
        _receive(con, receipt, "landed", "a later version stands")
        return False
    frames, problems = _read(archive, farm, receipt)
    unreadable = any(p.extent == "book" for p in problems)
    with warehouse.transaction(con):
        if not unreadable:
            con.execute("DELETE FROM quarantine WHERE source = ?", [receipt.kind])
            for name, frame in frames.items():
                replace_if_changed(con, name, frame)
        _quarantine(con, receipt, problems)
        first = problems[0].sentence if unreadable else None
        _receive(con, receipt, "refused" if unreadable else "landed", first)
    return not unreadable


def _read(
    archive: Archive, farm: Farm, receipt: Receipt
) -> tuple[dict[str, pl.DataFrame], list[Problem]]:
    data = b"".join(archive.blocks(receipt))
    if receipt.kind == "normals":
        return normals_table.read(data)
    content = {receipt.name: data}
    if receipt.name.endswith(".zip"):
        with zipfile.ZipFile(io.BytesIO(data)) as packed:  # packed by ourselves, see arrivals
            content = {name: packed.read(name) for name in packed.namelist()}
    book = fieldbook.tables_of(content, currency=farm.farm.currency)
    return book.frames, book.problems


def replace_if_changed(con: duckdb.DuckDBPyConnection, name: str, frame: pl.DataFrame) -> None:
    """Write a set-up table where it says something else than before."""
    table = TABLES[name]
    if not warehouse.read(con, table).equals(frame.sort(table.key)):
        warehouse.replace(con, table, frame)


def _quarantine(con: duckdb.DuckDBPyConnection, receipt: Receipt, problems: list[Problem]) -> None:
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
        warehouse.append(con, table, made.conform(frame, table))


def _receive(
    con: duckdb.DuckDBPyConnection, receipt: Receipt, state: str, reason: str | None
) -> None:
    table = TABLES["delivery"]
    row = {
        "delivery": receipt.delivery,
        "sha256": receipt.sha256,
        "sequence": receipt.sequence,
        "received_at": receipt.received_at,
        "source": receipt.kind,
        "name": receipt.name,
        "size_bytes": receipt.size,
        "state": state,
        "reason": reason,
    }
    warehouse.append(
        con, table, made.conform(pl.DataFrame([row], schema_overrides={"reason": pl.String}), table)
    )
