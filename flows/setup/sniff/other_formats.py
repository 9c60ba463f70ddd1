"""Exports that are no plain text table: JSON, workbooks, open formats, each taken apart to a grid."""

import io
import re
from typing import Any

import polars as pl

from flows.base.plain_text import counted
from flows.intake.readers import json_records, workbook
from flows.setup.sniff import text
from flows.setup.sniff.finding import CannotSniff, Grid, Sure

MOST_RECORDS = 20_000
DLY = re.compile(r"^[A-Z]{2}[A-Z0-9_-]{9}\d{6}[A-Z]{4}")
CRN = re.compile(r"^\s*\d{3,5}\s+\d{8}\s")


def open_format(data: bytes) -> tuple[str, str] | None:
    """The open format that the first lines are of, and how one sees it."""
    head = data[:4000].decode("ascii", "replace").split("\n")[:-1]
    lines = [line for line in head if line.strip()]
    if lines and all(DLY.match(line) for line in lines):
        return "ghcn_daily", "its lines are of one station, month and element with 31 values each"
    rows = [line.split() for line in lines]
    if rows and all(CRN.match(line) for line in lines):
        widths = {len(row) for row in rows}
        for width, name in ((28, "uscrn_daily"), (38, "uscrn_hourly")):
            if widths == {width}:
                return (
                    name,
                    f"its rows have the {counted(width, 'column')} of that product and no heading",
                )
    return None


def as_json(data: bytes) -> Grid | None:
    """JSON or NDJSON as a grid of records; None where it is none."""
    start = data.lstrip(b"\xef\xbb\xbf \t\r\n")[:1]
    if start not in (b"{", b"["):
        return None
    decoded = data.decode("utf-8-sig", "replace")
    try:
        document = json_records.parsed(decoded)
    except ValueError:
        return _ndjson(decoded)
    path, rows = _records(document, "")
    if not rows:
        lines = decoded.strip().splitlines()
        return _ndjson(decoded) if len(lines) > 1 else None
    if "phenomenonTime" in rows[0] and "result" in rows[0]:
        raise CannotSniff(
            "These are SensorThings observations: use format = 'sensorthings' and name each datastream "
            "as a column."
        )
    grid = _flat(rows[:MOST_RECORDS], {"format": "json"} | ({"records": path} if path else {}))
    grid.note(
        "format",
        "json",
        Sure.CERTAIN,
        f"one document with {counted(len(rows), 'record')} at '{path}'",
    )
    return grid


def _ndjson(decoded: str) -> Grid | None:
    rows = []
    for line in decoded.splitlines()[:MOST_RECORDS]:
        try:
            row = json_records.parsed(line) if line.strip() else None
        except ValueError:
            continue
        if isinstance(row, dict):
            rows.append(row)
    if not rows:
        return None
    grid = _flat(rows, {"format": "ndjson"})
    grid.note(
        "format", "ndjson", Sure.CERTAIN, f"{counted(len(rows), 'line')} are a JSON record each"
    )
    return grid


def _records(document: Any, path: str) -> tuple[str, list[dict[str, Any]]]:
    """The longest list of records in a document, or a table of lists, and its path."""
    if isinstance(document, list):
        return path, [row for row in document if isinstance(row, dict)]
    best: tuple[str, list[dict[str, Any]]] = (path, [])
    if isinstance(document, dict):
        lists = {k: v for k, v in document.items() if isinstance(v, list) and v}
        plain = {k: v for k, v in lists.items() if not isinstance(v[0], dict | list)}
        if len(plain) > 1 and len({len(v) for v in plain.values()}) == 1:
            names, columns = list(plain), zip(*plain.values(), strict=True)
            best = (path, [dict(zip(names, row, strict=True)) for row in columns])
        for key, value in document.items():
            found = _records(value, f"{path}.{key}" if path else key)
            if len(found[1]) > len(best[1]):
                best = found
    return best


def _flat(rows: list[dict[str, Any]], layout: dict[str, Any]) -> Grid:
    flat = [dict(_leaves(row, "")) for row in rows]
    names = list(dict.fromkeys(name for row in flat for name in row))
    frame = pl.DataFrame(
        {f"c{i}": [row.get(name) or "" for row in flat] for i, name in enumerate(names)},
        schema={f"c{i}": pl.String for i in range(len(names))},
    )
    return Grid(names, frame, layout, [""] * len(names))


def _leaves(value: Any, path: str) -> list[tuple[str, str]]:
    if isinstance(value, dict):
        return [
            leaf for k, v in value.items() for leaf in _leaves(v, f"{path}.{k}" if path else str(k))
        ]
    if isinstance(value, list):
        return [leaf for i, v in enumerate(value) for leaf in _leaves(v, f"{path}.{i}")]
    return [(path, json_records.as_text(value) or "")]


def as_workbook(data: bytes) -> Grid:
    """The fullest sheet of a workbook as a grid; raises CannotSniff."""
    from openpyxl import load_workbook  # noqa: PLC0415 - start-up time: only workbooks need it

    try:
        book = load_workbook(io.BytesIO(data), read_only=True, data_only=True)
    except Exception as error:
        raise CannotSniff(f"It looks like a workbook but cannot be opened: {error}") from error
    try:
        sheets = {s.title: list(s.iter_rows(values_only=True, max_row=MOST_RECORDS)) for s in book}
    finally:
        book.close()
    name = max(sheets, key=lambda n: sum(any(c is not None for c in row) for row in sheets[n]))
    table = [[workbook.cell_text(cell, None) or "" for cell in row] for row in sheets[name]]
    width = max((len(row) for row in table), default=0)
    table = [row + [""] * (width - len(row)) if any(row) else [] for row in table]
    above = text.headings(table)
    layout: dict[str, Any] = {"format": "xlsx"}
    if next(iter(sheets)) != name:
        layout["sheet"] = name
    body = [row for row in table[above.first :] if row]
    grid = Grid(above.names, text.frame(above.names, body), layout | above.keys, above.units)
    grid.note("format", "xlsx", Sure.CERTAIN, f"a workbook; its fullest sheet is '{name}'")
    return grid
