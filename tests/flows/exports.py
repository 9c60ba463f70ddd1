"""Writes readings the way a layout says: the opposite of the readers, for tests and benches.

``truth`` has ``time`` (UTC, the end of the interval) and one column a column of the layout, in the
unit written there (nulls are missing); an instrument and a depth column, where the layout has them,
stand in it as text.
"""

from __future__ import annotations

import csv
import gzip
import io
import json
import zipfile
from datetime import timedelta
from zoneinfo import ZoneInfo

import openpyxl
import polars as pl

from flows.intake.door.times import offset_of
from schemas.farm.layout import Layout


def stamps(truth: pl.DataFrame, layout: Layout, *, mark: str = "") -> list[list[str]]:
    """The time columns, as text."""
    rule = layout.time
    times = truth["time"]
    if layout.stamp == "start":
        times = times - timedelta(seconds=layout.step_s)
    if rule.format.startswith("epoch"):
        scale = 1 if rule.format == "epoch_s" else 1000
        return [[str(int(t.timestamp()) * scale) for t in times]]
    zone = ZoneInfo(rule.zone) if rule.zone else None
    written = []
    for time in times:
        local = time.astimezone(zone) if zone else time + offset_of(rule)
        if rule.format == "iso":
            written.append([local.strftime("%Y-%m-%dT%H:%M:%S") + mark])
        else:
            parts = rule.format.split(" ") if len(rule.columns) > 1 else [rule.format]
            written.append([local.strftime(part) for part in parts])
    return [list(column) for column in zip(*written, strict=True)] or [[] for _ in rule.columns]


def text(value: float | None, layout: Layout, missing: str, decimals: int = 3) -> str:
    """A value as text, by the layout's decimal mark and missing code."""
    if value is None:
        return missing
    said = f"{value:,.{decimals}f}" if layout.thousands else f"{value:.{decimals}f}"
    if "." in said:
        said = said.rstrip("0").rstrip(".") or "0"
    if layout.thousands:
        said = said.replace(",", "\0").replace(".", layout.decimal).replace("\0", layout.thousands)
    return said.replace(".", layout.decimal) if not layout.thousands else said


def table(
    truth: pl.DataFrame, layout: Layout, *, missing: str = "", decimals: int = 3, mark: str = ""
) -> tuple[list[str], list[list[str]]]:
    """Headings and rows of text, long or wide."""
    times = stamps(truth, layout, mark=mark)
    names = list(layout.columns)
    beside = [c for c in (layout.instrument_column, layout.depth_column) if c]
    times += [truth[c].to_list() for c in beside]
    cells = {n: [text(v, layout, missing, decimals) for v in truth[n].to_list()] for n in names}
    if layout.series_column is not None and layout.value_column is not None:
        rows = [
            [*(t[i] for t in times), name, cells[name][i]]
            for i in range(truth.height)
            for name in names
        ]
        return [*layout.time.columns, *beside, layout.series_column, layout.value_column], rows
    rows = [[*(t[i] for t in times), *(cells[n][i] for n in names)] for i in range(truth.height)]
    return [*layout.time.columns, *beside, *names], rows


def write(
    truth: pl.DataFrame,
    layout: Layout,
    *,
    missing: str = "",
    decimals: int = 3,
    mark: str = "",
    preamble: tuple[str, ...] = (),
    below: tuple[list[str], ...] = (),
    end: str = "\n",
    packed: str = "",
) -> bytes:
    """The bytes of an export."""
    head, rows = table(truth, layout, missing=missing, decimals=decimals, mark=mark)
    data = {
        "delimited": _delimited,
        "fixed": _fixed,
        "json": _json,
        "ndjson": _json,
        "xlsx": _workbook,
    }[layout.format](head, rows, layout, preamble, below, end)
    if packed == "gzip":
        return gzip.compress(data)
    if packed == "zip":
        out = io.BytesIO()
        with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
            archive.writestr("inside.dat", data)
        return out.getvalue()
    return data


def _delimited(head, rows, layout, preamble, below, end):  # noqa: PLR0917
    out = io.StringIO()
    for line in preamble:
        out.write(line + end)
    writer = csv.writer(out, delimiter=layout.delimiter, lineterminator=end)
    if layout.header:
        writer.writerow(head)
    writer.writerows([*below, *rows])
    return out.getvalue().encode(layout.encoding)


def _fixed(head, rows, layout, preamble, below, end):  # noqa: PLR0917
    lines = list(preamble)
    width = max(last for _, last in layout.fields.values())
    for row in [head, *below, *rows] if layout.header else rows:
        line = [" "] * width
        for name, cell in zip(head, row, strict=True):
            first, last = layout.fields[name]
            shown = cell[: last - first + 1]
            line[last - len(shown) : last] = shown
        lines.append("".join(line))
    return (end.join(lines) + end).encode(layout.encoding)


def _json(head, rows, layout, preamble, below, end):  # noqa: PLR0917
    records = []
    for row in rows:
        record: dict = {}
        for name, cell in zip(head, row, strict=True):
            at = record
            *inside, last = name.split(".")
            for step in inside:
                at = at.setdefault(step, {})
            at[last] = None if cell == "" else cell
        records.append(record)
    if layout.format == "ndjson":
        return (end.join(map(json.dumps, records)) + end).encode(layout.encoding)
    document = records
    for step in reversed([s for s in layout.records.split(".") if s]):
        document = {step: document}
    return json.dumps(document).encode(layout.encoding)


def _workbook(head, rows, layout, preamble, below, end):  # noqa: PLR0917
    book = openpyxl.Workbook(write_only=True)
    sheet = book.create_sheet(layout.sheet or "Data")
    for line in [*([p] for p in preamble), *([head] if layout.header else []), *below]:
        sheet.append(line)
    for row in rows:
        sheet.append([_cell(c) for c in row])
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def _cell(cell: str) -> str | float | None:
    try:
        return float(cell) if not cell.isdigit() or len(cell) < 6 else cell
    except ValueError:
        return cell or None
