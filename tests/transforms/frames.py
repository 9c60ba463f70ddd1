"""Small frames of declared tables, for the tests of transforms."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, date, datetime, timedelta
from types import ModuleType
from typing import Any

import polars as pl

from schemas import compared, generated
from schemas.catalogue import TABLES

FARM = {
    "farm": "invented",
    "latitude_deg": 50.0,
    "longitude_deg": -100.0,
    "elevation_m": 300.0,
    "time_zone": "Etc/UTC",
    "standard_offset_h": 0.0,
    "day_starts_h": 0.0,
    "currency": "CAD",
    "units": "metric",
    "trace_threshold_mm": 0.2,
}


def rows(name: str, items: Sequence[Mapping[str, Any]], **shared: Any) -> pl.DataFrame:
    """The table ``name`` with the given rows, all with the ``shared`` values; the rest is null.

    As formulas see it: of two strips, treated and check.
    """
    table = compared.as_made(TABLES[name])
    items = [{**shared, **item} for item in items]
    schema = generated.polars_schema(table)
    for item in items:
        assert not set(item) - set(schema), set(item) - set(schema)
    full = [{column: item.get(column) for column in schema} for item in items]
    return pl.DataFrame(full, schema=schema, orient="row")


def farm(**changes: Any) -> pl.DataFrame:
    return rows("farm", [{**FARM, **changes}])


def irrigation(
    depths: Mapping[date, float | None] | None = None, strips: Sequence[str] = ("treated", "check")
) -> pl.DataFrame:
    """``irrigation_day`` of the field f, as its field book has it; without depths a dry-land farm."""
    items = [
        {"field": "f", "strip": s, "day": d, "irrigation_mm": mm, "irrigation_from": "field book"}
        for s in strips
        for d, mm in (depths or {}).items()
    ]
    return rows("irrigation_day", items, in_later_total=False)


def season(
    seeded: str, harvested: str | None = None, emerged: str | None = None, **more: Any
) -> dict[str, Any]:
    """A row of ``season``: wheat of 2024 in the field f, unless given otherwise."""
    given = {"seeded": seeded, "harvested": harvested, "emerged": emerged}
    dates = {name: date.fromisoformat(text) for name, text in given.items() if text}
    return {"field": "f", "season": 2024, "crop": "w", **dates, **more}


def utc(text: str) -> datetime:
    """An instant from '2024-05-01 00:15' (UTC)."""
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


def days(first: str, n: int) -> list[date]:
    start = date.fromisoformat(first)
    return [start + timedelta(days=i) for i in range(n)]


def made_by(formula: ModuleType, **given: pl.DataFrame) -> pl.DataFrame:
    """Return what a formula makes, given no more columns than it says that it reads."""
    reads: Mapping[str, Sequence[str]] = getattr(formula, "READS", {})
    made: pl.DataFrame = formula.derive(
        **{name: frame.select(reads.get(name, pl.all())) for name, frame in given.items()}
    )
    return made


def check(frame: pl.DataFrame, name: str) -> None:
    """The frame passes the declaration's own pandera check."""
    generated.check(compared.as_made(TABLES[name])).validate(frame)


def by_key(frame: pl.DataFrame, name: str) -> dict[Any, dict[str, Any]]:
    """Rows by key (a tuple, or the bare value of a key of one column)."""
    key = compared.as_made(TABLES[name]).key
    return {
        (tuple(row[k] for k in key) if len(key) > 1 else row[key[0]]): row
        for row in frame.iter_rows(named=True)
    }
