"""Rows of a sheet that say the same twice, also under a former name of their field or strip."""

from __future__ import annotations

from typing import Any

from flows.books.fieldbook.problem import Problem, shown
from flows.books.fieldbook.reader import Row
from flows.books.fieldbook.sheet_problem import problem
from schemas.catalogue import TABLES

PASSES = "harvest_pass"
_Key = tuple[Any, ...]


def reject_repeats(table: str, rows: list[Row]) -> list[Problem]:
    """Reject every row whose key stands further up already.

    A row under a former name that says nothing else than the one under today's name is skipped
    without a word. Where the passes of two fields that are one now have the same numbers, the former
    field's name is put before its own: they are other passes.
    """
    if table == PASSES:
        _tell_passes_apart(rows)
    first: dict[_Key, Row] = {}
    problems = []
    for row in rows:
        if row.rejected:
            continue
        key = _key(table, row)
        before = first.setdefault(key, row)
        if before is row:
            continue
        if row.former and not _differs(row, before):
            row.rejected = True
            continue
        same = ", ".join(f"{k} {v}" for k, v in zip(TABLES[table].key, key, strict=True))
        place = f"row {before.number}" + (
            f" of {before.sheet}" if before.sheet != row.sheet else ""
        )
        if row.former:
            cause = f"the row under the former name differs from {place}"
            found = f"{row.former}: {_differs(row, before)}"
            problems.append(problem(row, "", cause, found, "the same in both, or one row"))
        else:
            cause = f"the same row stands already in {place}"
            problems.append(problem(row, "", cause, same, "each once"))
    return problems


def _key(table: str, row: Row) -> _Key:
    return tuple(
        v.lower() if isinstance(v := row.values.get(k), str) else v for k in TABLES[table].key
    )


def _differs(row: Row, other: Row) -> str:
    """Return what a row says otherwise than another, by its headings."""
    return ", ".join(
        f"{row.headings.get(name, name)} {shown(value)}"
        for name, value in row.values.items()
        if value is not None and not _same(value, other.values.get(name))
    )


def _same(one: object, other: object) -> bool:
    if isinstance(one, str) and isinstance(other, str):
        return one.lower() == other.lower()
    return one == other


def _tell_passes_apart(rows: list[Row]) -> None:
    """Name the passes of a former field, in a season, after it if other passes have their numbers."""
    standing: dict[_Key, Row] = {}
    groups: dict[tuple[str, Any], list[Row]] = {}
    for row in rows:
        if row.rejected:
            continue
        if row.former:
            groups.setdefault((row.former, row.values["season"]), []).append(row)
        else:
            standing.setdefault(_key(PASSES, row), row)
    for (former, _), group in sorted(groups.items()):
        met = [(row, standing.get(_key(PASSES, row))) for row in group]
        if any(other is not None and _differs(row, other) for row, other in met):
            for row in group:
                for name in ("pass", "block"):
                    row.values[name] = f"{former} {row.values[name]}"
        for row in group:
            standing.setdefault(_key(PASSES, row), row)
