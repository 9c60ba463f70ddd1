"""Protect the published copy: rows that it has are not lost without a reason that is known.

Whoever takes rows out with a reason (a changed set-up, a saved book) notes it in the same
transaction with ``explain_loss``. Daily and derived tables may lose rows whenever something else
changed: a file, the set-up, the program.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import UTC, datetime

import duckdb

from flows.base.plain_text import counted
from flows.store import facts
from schemas import generated
from schemas.catalogue import TABLES
from schemas.table import Tier

ALL = "everything"
_FACT = "explained_losses"  # JSON: what may lose rows -> when that was last so
_READINGS = {"station": "weather_reading", "probe": "soil_reading"}
# Of these, old rows are deleted in the course of time, or what they report is mended, or nobody
# reads them.
_PASSING = (
    "about",
    "touched_day",
    "flow_run",
    "audit_result",
    "derive_problem",
    *_READINGS.values(),
)
_COMPUTED = (Tier.DAILY, Tier.DERIVED)


def explain_loss(con: duckdb.DuckDBPyConnection, *items: str) -> None:
    """Note that tables or instruments (``station west``) may have fewer rows from now on."""
    known = json.loads(facts.fact(con, _FACT) or "{}")
    now = datetime.now(UTC).isoformat()
    facts.set_fact(con, _FACT, json.dumps(known | dict.fromkeys(items, now), sort_keys=True))


@dataclass(frozen=True, slots=True)
class Content:
    """Rows of a warehouse or a published copy, by table and instrument, and its facts."""

    rows: dict[str, int]
    facts: dict[str, str]

    @classmethod
    def of(cls, con: duckdb.DuckDBPyConnection) -> Content:
        """Count the rows of the tables that are there."""
        names = {
            row[0] for row in con.sql("SELECT table_name FROM information_schema.tables").fetchall()
        }
        queries = [
            f"SELECT {generated.literal(name)}, count(*) FROM {generated.quoted(name)}"
            for name in TABLES
            if name in names and name not in (*_PASSING, *_READINGS.values())
        ]
        queries += [
            f"SELECT '{kind} ' || {kind}, count(*) FROM {table} GROUP BY {kind}"
            for kind, table in _READINGS.items()
            if table in names
        ]
        counted = con.sql(" UNION ALL ".join(queries)).fetchall()
        return cls(dict(counted), dict(con.sql("SELECT fact, value FROM about").fetchall()))

    def losses_against(self, before: Content, *, readings_only: bool = False) -> list[str]:
        """Return what has fewer rows than before without a reason, as ``station west: 3 of 5``."""
        mine, theirs = (json.loads(one.facts.get(_FACT, "{}")) for one in (self, before))
        explained = {item for item, at in mine.items() if theirs.get(item) != at}
        if ALL in explained:
            return []
        if self.facts != before.facts or self.rows.get("delivery") != before.rows.get("delivery"):
            explained |= {name for name, table in TABLES.items() if table.tier in _COMPUTED}
        return [
            f"{item}: {self.rows.get(item, 0):,} of {counted(number, 'row')}"
            for item, number in sorted(before.rows.items())
            if self.rows.get(item, 0) < number
            and item not in explained
            and not (readings_only and item in TABLES)
        ]
