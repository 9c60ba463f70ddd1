"""JSON records: one document, a record a line (NDJSON), or OGC SensorThings observations.

A column is named by its path through the record (``air.temp``, ``values.0``); a key that has a dot
in it is found too. A document may also be a table of lists of one length (``{"time": [...], "t":
[...]}``). SensorThings (OGC 18-088): ``value`` holds observations, alone or as a ``dataArray``;
a phenomenon time that is an interval is taken at the end that the layout's ``stamp`` names, and a
unit that the datastream names must be the layout's.
"""

from __future__ import annotations

import codecs
import json
from collections.abc import Iterator
from itertools import chain, islice
from typing import Any

from flows.intake.readers import stated_units
from flows.intake.readers.chunk import (
    Chunk,
    Content,
    Fault,
    Unreadable,
    faults,
    is_needed,
    is_value,
    records,
    roles,
)
from flows.intake.readers.headings import no_values
from flows.intake.readers.packed import in_one, whole
from schemas.farm.layout import Layout

MOST_BYTES = 256 << 20  # of one document, which must be parsed whole
ROWS = 20_000  # records a chunk
LINE_LIMIT = 1 << 20
UNIT = "Datastream.unitOfMeasurement"
NOTHING: tuple[Any, ...] = (None, {}, [])


def read(content: Content, layout: Layout) -> Iterator[Chunk]:
    """Yield records in chunks; raises Unreadable."""
    if layout.format == "ndjson":
        yield from _lines(content, layout)
        return
    found = _rows(_document(content, layout), layout)
    first = 1
    while batch := list(islice(found, ROWS)):
        yield _chunk([(first + i, row) for i, row in enumerate(batch)], layout, None)
        first += len(batch)
    if first == 1 and layout.format != "sensorthings":
        raise Unreadable("nothing in it", "no records", f"records at '{layout.records}'")


def _document(content: Content, layout: Layout) -> Any:
    data = in_one(whole(content), MOST_BYTES)
    encoding = layout.encoding
    if data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        encoding = "utf-16"
    try:
        return parsed(data.removeprefix(codecs.BOM_UTF8).decode(encoding, errors="replace"))
    except ValueError as error:
        raise Unreadable("not JSON", str(error)[:200], "one JSON document") from error
    except RecursionError as error:
        raise Unreadable("not JSON", "brackets nested too deep", "one JSON document") from error


def parsed(text: str) -> Any:
    """Return JSON whose numbers stay as they were written; raises ValueError.

    A record that has a key twice says two things: it is none.
    """
    return json.loads(
        text, parse_float=str, parse_int=str, parse_constant=str, object_pairs_hook=_each_key_once
    )


def _each_key_once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    record = dict(pairs)
    if len(record) < len(pairs):
        keys = [key for key, _ in pairs]
        twice = next(key for key in keys if keys.count(key) > 1)
        raise ValueError(f"the key '{twice}' is twice in one record")
    return record


def _rows(document: Any, layout: Layout) -> Iterator[Any]:
    """Yield the records of a document."""
    at = document
    for step in filter(None, layout.records.split(".")):
        at = _step(at, step)
    if layout.format == "sensorthings" and isinstance(at, list):
        observed = chain.from_iterable(_observations(entry) for entry in at)
        return _in_their_units(observed, layout)
    if isinstance(at, list):
        return iter(at)
    if isinstance(at, dict):
        lists = {key: value for key, value in at.items() if isinstance(value, list)}
        if lists:
            lengths = {len(value) for value in lists.values()}
            if len(lengths) > 1:
                raise Unreadable(
                    "lists of unlike length",
                    ", ".join(f"{k}: {len(v)}" for k, v in lists.items())[:200],
                    "a table of lists of one length",
                )
            return (dict(zip(lists, row, strict=True)) for row in zip(*lists.values(), strict=True))
        return iter([at])
    raise Unreadable(
        "no such records", f"{type(at).__name__} at '{layout.records}'", "a list of records"
    )


def _observations(entry: Any) -> Iterator[Any]:
    """Yield the observations of an entry of ``value``: itself, or the rows of its data array."""
    if not isinstance(entry, dict) or "dataArray" not in entry:
        yield entry
        return
    shared = {key: value for key, value in entry.items() if key not in ("dataArray", "components")}
    for row in entry["dataArray"]:
        yield shared | dict(zip(entry.get("components", ()), row, strict=False))


def _in_their_units(rows: Iterator[Any], layout: Layout) -> Iterator[Any]:
    """Yield the observations; raises Unreadable where one names another unit than the layout."""
    checked: set[tuple[str, str]] = set()
    for row in rows:
        unit = at_path(row, UNIT)
        if unit is not None:
            name = as_text(at_path(row, layout.series_column or "")) or ""
            if not name and len(layout.columns) == 1:
                name = next(iter(layout.columns))
            mark = (name, as_text(unit) or "")
            if mark not in checked and name in layout.columns:
                stated_units.check(name, unit, layout.columns[name])
            checked.add(mark)
        yield row


def _step(at: Any, step: str) -> Any:
    if isinstance(at, dict):
        return at.get(step)
    if isinstance(at, list) and step.isdecimal() and int(step) < len(at):
        return at[int(step)]
    return None


def at_path(record: Any, path: str) -> Any:
    """Return the value at a path; a key that is the path, or a part of it with dots, counts too."""
    if isinstance(record, dict) and path in record:
        return record[path]
    first, dot, rest = path.partition(".")
    while dot:
        inside = _step(record, first)
        if inside is not None and (found := at_path(inside, rest)) is not None:
            return found
        more, dot, rest = rest.partition(".")
        first = f"{first}.{more}"
    return _step(record, path)


def as_text(value: Any) -> str | None:
    """Return a value as text, as it was written; None for nothing."""
    if value is None or isinstance(value, str):
        return value
    return json.dumps(value, ensure_ascii=False)


def _chunk(rows: list[tuple[int, Any]], layout: Layout, texts: dict[int, str] | None) -> Chunk:
    """Return a chunk of records (number, record); what is no record is a fault."""
    wanted = roles(layout)
    good: list[dict[str, str | None]] = []
    numbers: list[int] = []
    wrong: list[Fault] = []
    used: dict[str, str] = {}
    for number, row in rows:
        if not isinstance(row, dict):
            found = str(row) if isinstance(row, Broken) else json.dumps(row)[:80]
            wrong.append((number, "", "row", "not a record", found, "a JSON object"))
            continue
        values = {}
        for role, paths in wanted.items():
            there = ((p, v) for p in paths if (v := at_path(row, p)) not in NOTHING)
            path, value = next(there, ("", None))
            if value is not None:
                used.setdefault(role, path)
            if value is not None or any(p in row for p in paths):
                values[role] = as_text(value)
        good.append(_stamped(values, layout) if layout.format == "sensorthings" else values)
        numbers.append(number)
    if good:
        _check_keys(good, wanted, layout, rows[0][1])
        parts = [path.replace(".", "_") for path in used.values()]
        stated_units.check_headings(parts, {role: i for i, role in enumerate(used)}, layout)
    kept = dict(rows) if texts is None else None

    def raw(line: int) -> str:
        if kept is None:
            return (texts or {}).get(line, "")
        return json.dumps(kept.get(line), ensure_ascii=False)

    chunk = records(good, numbers, layout, raw)
    return Chunk(chunk.frame, faults(wrong), raw, chunk.absent)


def _check_keys(
    good: list[dict[str, str | None]],
    wanted: dict[str, tuple[str, ...]],
    layout: Layout,
    example: Any,
) -> None:
    """Raises Unreadable where no record has the time's key, or none has any value."""
    shown = f"the keys {', '.join(map(str, example))}"[:500] if isinstance(example, dict) else ""
    there = {role for row in good for role in row}
    for role, paths in wanted.items():
        if role == "series" and layout.format == "sensorthings":
            continue
        if is_needed(role, there) and role not in there:
            raise Unreadable("no such column", shown, f"a key '{paths[0]}'")
    if not any(map(is_value, there)):
        raise no_values(shown, layout)


def _stamped(values: dict[str, str | None], layout: Layout) -> dict[str, str | None]:
    """Return an observation with one time of its interval, and the layout's only series."""
    time = values.get("time_0") or ""
    if "/" in time:
        start, _, end = time.partition("/")
        values["time_0"] = start if layout.stamp == "start" else end
    if not values.get("series") and len(layout.columns) == 1:
        values["series"] = next(iter(layout.columns))
    return values


class Broken(str):
    """A line that is no JSON, as a record's place holder: what is wrong with it."""

    __slots__ = ()


def _lines(content: Content, layout: Layout) -> Iterator[Chunk]:
    """NDJSON: a record a line; a line that is none is a fault, the others land."""
    number = content.lines_before
    rest = b""
    batch: list[tuple[int, str]] = []
    decoder = codecs.getincrementaldecoder(layout.encoding)(errors="replace")
    for block in chain(content.own(), [b""]):
        last = not block
        text = rest + decoder.decode(block, final=last).encode()
        *lines, rest = text.split(b"\n")
        if last and rest.strip():
            lines, rest = [*lines, rest], b""
        if len(rest) > LINE_LIMIT:
            raise Unreadable("line too long", f"over {LINE_LIMIT:,} bytes", "a record a line")
        for line in lines:
            number += 1
            if text_of_line := line.decode().strip("\x00 \t\r\ufeff"):
                batch.append((number, text_of_line))
        if batch and (last or len(batch) >= ROWS):
            yield _chunk([(n, _record(line)) for n, line in batch], layout, dict(batch))
            batch = []


def _record(line: str) -> Any:
    try:
        return parsed(line)
    except (ValueError, RecursionError):
        return Broken(line[:80])
