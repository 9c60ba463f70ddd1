"""What a warehouse says, in one number a table: the same rows in any order give the same.

Two warehouses of the same checksum hold the same values, whatever way the data came in: columns
that say how a value arrived are left out, and numbers are compared to ten significant digits (the
order of a sum may change the sixteenth). A table that could not be made (``derive_problem``) has the
rows of an earlier run, so it does not count.
"""

import hashlib
from dataclasses import dataclass, replace

import duckdb

from flows.store import derive_problems
from schemas import generated
from schemas.catalogue import TABLES
from schemas.table import Column, Kind, Table

_WHOLE = 1 << 64


@dataclass(frozen=True, slots=True)
class Sum:
    """Rows of a table and the hash of what they say."""

    name: str
    rows: int
    value: int
    counts: bool
    not_made: str | None = None

    def __str__(self) -> str:
        """A line: hash, rows, name."""
        made = f"  (could not be made: {self.not_made})" if self.not_made else ""
        note = made + ("" if self.counts else "  (not in the sum of all)")
        return f"{self.value:016x} {self.rows:>10} {self.name}{note}"


def checksums(con: duckdb.DuckDBPyConnection) -> list[Sum]:
    """Return one sum a table, by name."""
    not_made = derive_problems.not_made(con)
    sums = [_of(con, table) for table in TABLES.values()]
    return [
        replace(one, counts=False, not_made=not_made[one.name]) if one.name in not_made else one
        for one in sums
    ]


def total(con: duckdb.DuckDBPyConnection) -> str:
    """Return the sum of all tables of what was measured and what follows from it."""
    return _total(checksums(con))


def lines(con: duckdb.DuckDBPyConnection) -> list[str]:
    """Return the sums as lines of text, the sum of all last; it names those that were not made."""
    sums = checksums(con)
    rows = sum(one.rows for one in sums if one.counts)
    without = ", ".join(one.name for one in sums if one.not_made)
    every = f"all but {without}" if without else "all"
    return [*map(str, sums), f"{_total(sums)} {rows:>10} {every}"]


def as_dict(con: duckdb.DuckDBPyConnection) -> dict[str, object]:
    """Return the sums by table, and the sum of all, for JSON."""
    sums = checksums(con)
    by_table = {one.name: {"checksum": f"{one.value:016x}", "rows": one.rows} for one in sums}
    return {"tables": by_table, "total": _total(sums)}


def _total(sums: list[Sum]) -> str:
    counted = "\n".join(f"{s.name} {s.rows} {s.value:016x}" for s in sums if s.counts)
    return hashlib.sha256(counted.encode()).hexdigest()[:16]


def _of(con: duckdb.DuckDBPyConnection, table: Table) -> Sum:
    if con.sql(f"SELECT count(*) FROM {generated.quoted(table.name)}").fetchall() == [(0,)]:
        return Sum(table.name, 0, 0, table.checksum)
    values = " || ".join(_text(column) for column in table.columns if not column.provenance)
    # If how a row arrived is part of the key, rows alike in all else count once.
    once = "DISTINCT " if any(c.key and c.provenance for c in table.columns) else ""
    ((rows, value),) = con.sql(f"""
        SELECT count(*), coalesce(sum(md5_number_lower(text)), 0)
        FROM (SELECT {once}{values} AS text FROM {generated.quoted(table.name)})
    """).fetchall()
    return Sum(table.name, int(rows), int(value) % _WHOLE, table.checksum)


def _text(column: Column) -> str:
    """Return SQL for a value as text that no other value has, its length first; null is ``-``."""
    name = generated.quoted(column.name)
    match column.kind:
        case Kind.NUMBER:
            # Adding 0 makes a negative zero a zero.
            text = f"format('{{:.10g}}', {name} + 0.0)"
        case Kind.TIME:
            text = f"epoch_us({name})::VARCHAR"
        case _:
            text = f"{name}::VARCHAR"
    return f"coalesce(strlen({text}) || ':' || {text}, '-')"
