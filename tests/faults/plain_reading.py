"""What a file says, read in the plainest way that there is: the judge of what landed.

It shares nothing with the program's readers. It is more generous than they are: what it does not
find at a time under a heading, nobody may land there.
"""

from __future__ import annotations

import csv
import io
import json
import re
import zipfile
import zlib
from collections.abc import Iterable, Iterator
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from typing import Any

from tests.faults.samples import COLUMNS, Format

Says = tuple[datetime, str, float]  # time (UTC), heading, value
OFFSET = timedelta(hours=6)
STAMP = re.compile(
    r"^(\d{4})-\s*(\d{1,2})-\s*(\d{1,2})(?:[\sT]+(\d{1,2})(?::\s*(\d{1,2})(?::\s*(\d{1,2}(?:\.\d+)?))?)?)?$"
)
GERMAN = re.compile(r"^\s*(\d{1,2})\.\s*(\d{1,2})\.\s*(\d{1,4})\s+(\d{1,2}):\s*(\d{1,2})$")
ZONE = re.compile(r"\s*(?:(Z|UTC|GMT)|([+-]\d{2}):?(\d{2}))$")
OTHER_UNITS = {"degf", "inch", "m3/m3"}
PLAINLY = {
    "fixed": [("t", 1, 16), ("air", 18, 24), ("rain", 26, 31), ("upper", 33, 39), ("lower", 41, 47)]
}


def instant(text: str, form: Format) -> datetime | None:
    """The UTC time of a stamp; by the time zone that it names, where it names one."""
    text = text.strip()
    offset = OFFSET
    if named := ZONE.search(text):
        text = text[: named.start()].strip()
        hours, minutes = int(named[2] or 0), int(named[3] or 0)
        offset = -timedelta(hours=hours, minutes=minutes if hours >= 0 else -minutes)
    if form.name == "semicolon":
        hit = GERMAN.match(text)
        parts = [hit[3], hit[2], hit[1], hit[4], hit[5], None] if hit else None
    elif re.fullmatch(r"\d{8}", text):
        parts = [text[:4], text[4:6], text[6:], None, None, None]
    else:
        hit = STAMP.match(text)
        parts = list(hit.groups()) if hit else None
    if parts is None:
        return None
    try:
        year, month, day = (int(p) for p in parts[:3])  # type: ignore[arg-type]
        hour, minute = (int(p or 0) for p in parts[3:5])
        later = timedelta(hours=hour, minutes=minute, seconds=float(parts[5] or 0))
        if hour > 24 or minute > 59:
            return None
        return datetime(year, month, day, tzinfo=UTC) + later + offset
    except (ValueError, OverflowError):
        return None


def number(text: object, form: Format) -> float | None:
    """A cell's number."""
    if isinstance(text, bool) or text is None:
        return None
    if isinstance(text, int | float):
        with suppress(OverflowError):
            return float(text)
        return None
    said = str(text).strip().strip('"').strip()
    if form.decimal == ",":
        said = said.replace(",", ".", 1)
    with suppress(ValueError):
        return float(said)
    return None


def says(form: Format, delivered: bytes) -> set[Says] | None:
    """All that a delivery says; None where the plain way cannot read it."""
    found: set[Says] = set()
    readable = True
    for data in unpacked(form, delivered):
        rows = _rows(form, data)
        if rows is None:
            readable = False
            continue
        for stamp, cells in rows:
            time = instant(stamp, form)
            if time is None:
                continue
            for name, cell in cells:
                value = number(cell, form)
                if value is not None and name in COLUMNS:
                    found.add((time, name, value))
    return found if readable or found else None


def unpacked(form: Format, data: bytes) -> Iterator[bytes]:
    """What is inside, as far as it can be unpacked."""
    if form.kind == "xlsx":
        yield data
    elif data.startswith(b"\x1f\x8b"):
        yield _unzipped(data)
    elif data.startswith(b"PK\x03\x04"):
        with suppress(zipfile.BadZipFile, OSError, ValueError, NotImplementedError, EOFError):
            archive = zipfile.ZipFile(io.BytesIO(data))
            for info in archive.infolist():
                with suppress(Exception), archive.open(info) as stream:
                    stream._expected_crc = None  # type: ignore[attr-defined]
                    yield _all(stream)
    else:
        yield data


def _all(stream: Any) -> bytes:
    out = b""
    with suppress(Exception):
        while block := stream.read(4096):
            out += block
    return out


def _unzipped(data: bytes) -> bytes:
    out = b""
    while data[:2] == b"\x1f\x8b":
        machine = zlib.decompressobj(wbits=31)
        for i in range(len(data)):
            try:
                out += machine.decompress(data[i : i + 1])
            except zlib.error:
                return out
            if machine.eof or len(out) > 50 << 20:
                data = machine.unused_data + data[i + 1 :]
                break
        else:
            return out
    return out


def _rows(form: Format, data: bytes) -> Iterable[tuple[str, list[tuple[str, object]]]] | None:
    match form.kind:
        case "json":
            return _documents(data)
        case "ndjson":
            return _records(_parsed(line) for line in _text(data, form).split("\n"))
        case "xlsx":
            return _workbook(data)
        case "fixed":
            return _spans(_text(data, form))
    return _delimited(_text(data, form), form)


def _text(data: bytes, form: Format) -> str:
    if form.kind in ("json", "ndjson") and data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return data.decode("utf-16", "replace")
    text = data.decode(form.encoding, "replace").removeprefix("\ufeff").replace("\r\n", "\n")
    return text if "\n" in text else text.replace("\r", "\n")


def _parsed(text: str) -> Any:
    with suppress(ValueError, RecursionError):
        return json.loads(text.strip("\x00 \t\r\ufeff"))
    return None


def _documents(data: bytes) -> Any:
    encoding = "utf-16" if data[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8"
    at = _parsed(data.decode(encoding, "replace"))
    for key in ("data", "rows"):
        at = at.get(key) if isinstance(at, dict) else None
    if isinstance(at, dict):  # a table of lists, or one record
        lists = {k: v for k, v in at.items() if isinstance(v, list)}
        at = [
            dict(zip(lists, row, strict=False)) for row in zip(*lists.values(), strict=False)
        ] or [at]
    return _records(at if isinstance(at, list) else [])


def _records(found: Iterable[Any]) -> Iterator[tuple[str, list[tuple[str, object]]]]:
    for record in found:
        if isinstance(record, dict) and record.get("t") is not None:
            yield str(record["t"]), list(record.items())


def _workbook(data: bytes) -> Any:
    import openpyxl

    try:
        book = openpyxl.load_workbook(io.BytesIO(data), data_only=True)
        rows = [list(row) for row in book.worksheets[0].iter_rows(values_only=True)]
    except Exception:
        return None
    return _under_headings([[_shown(c) for c in row] for row in rows], "t")


def _shown(cell: object) -> object:
    return cell.isoformat(" ") if hasattr(cell, "isoformat") else cell


def _spans(text: str) -> Iterator[tuple[str, list[tuple[str, object]]]]:
    for line in text.split("\n"):
        if any(line[a - 2 : a - 1] in ("-", "+", "\t") for _, a, _ in PLAINLY["fixed"] if a > 1):
            continue  # is a sign beside a field a part of it? nobody may say that it is not
        cells = {name: line[a - 1 : b] for name, a, b in PLAINLY["fixed"]}
        yield cells.pop("t"), list(cells.items())


def _delimited(text: str, form: Format) -> Iterator[tuple[str, list[tuple[str, object]]]]:
    d = form.delimiter
    for quoted in (True, False):  # as a program with quotes reads it, and as one without
        rows: list[list[object]] = []
        for line in text.split("\n"):
            cells = line.replace('"', "").split(d)
            if quoted:
                with suppress(csv.Error):
                    cells = next(csv.reader([line], delimiter=d), [])
            rows.append(list(cells))
        yield from _under_headings(rows, "day" if form.name == "semicolon" else "t", form)


def _under_headings(
    rows: list[list[Any]], time: str, form: Format | None = None
) -> Iterator[tuple[str, list[tuple[str, object]]]]:
    names: list[str] = []
    for row in rows:
        # Blanks and control characters make no other heading, a byte-order mark no other stamp.
        shown = [re.sub(r"[\s\x01-\x1f]", "", str(c or "")) for c in row]
        cells = [c.strip().strip("\ufeff\ufffd\x00").strip().casefold() for c in shown]
        if time in cells:
            names = cells
            continue
        # A long table holds several quantities under one heading: no row can state their unit.
        long = form is not None and form.kind == "long"
        if not long and OTHER_UNITS.intersection(cells):
            names = []  # what follows is in these units, so nothing of it may land as it stands
            continue
        pairs = [(n, c) for n, c in zip(names, row, strict=False)]
        by = dict(reversed(pairs))
        stamp = (
            " ".join(str(by.get(n, "")).strip() for n in ("day", "hour"))
            if time == "day"
            else by.get(time, "")
        )
        if long:
            yield str(stamp).strip("\ufeff"), [(str(by.get("what", "")).strip(), by.get("value"))]
        else:
            yield str(stamp).strip("\ufeff"), pairs
