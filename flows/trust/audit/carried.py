"""Carry outcomes of earlier audits, as long as nothing that they follow from has changed.

A part is what is looked at together: the expectations of a table's columns, or one that counts.
What it found stands while all of this is the same: the rows and columns of the tables that it
reads, its expectations, and the program that evaluates them. Rows are hashed in each audit, so it
does not matter who changed them. Every part is looked at again within ``DAYS`` days all the same,
each on a weekday of its own, so that no night has all of them. The note ``state/audited.json`` only
saves work: if it is lost or damaged, everything is looked at.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Iterable
from dataclasses import asdict, dataclass, replace
from datetime import datetime
from functools import cache
from importlib.metadata import version
from pathlib import Path

import duckdb

from flows.base import files
from flows.farm.folder import FarmFolder
from flows.trust.audit.declared_limits import Expected
from flows.trust.audit.outcome import CountCheck, Outcome
from schemas import generated
from schemas.catalogue import TABLES

DAYS = 7
_LIBRARIES = ("duckdb", "polars", "pandas", "great-expectations")


@dataclass(frozen=True, slots=True)
class Part:
    """Expectations of one table that are looked at together, and the tables that they read."""

    name: str
    asked: tuple[Expected, ...] | CountCheck
    reads: frozenset[str]

    @classmethod
    def of_columns(cls, table: str, asked: Iterable[Expected]) -> Part:
        """Return the part of the expectations of a table's columns."""
        return cls(table, tuple(asked), frozenset([table]))

    @classmethod
    def of_count(cls, check: CountCheck) -> Part:
        """Return the part of one count.

        It reads each table that its query names. A column of the same name counts as one too: then
        it is looked at once too often, never too seldom.
        """
        named = TABLES.keys() & re.findall(r"\w+", check.query)
        return cls(f"{check.table}: {check.words}", check, frozenset([check.table, *named]))

    @property
    def expectations(self) -> list[tuple[str, str]]:
        """The column and the words of each expectation."""
        if isinstance(self.asked, CountCheck):
            return [("", self.asked.words)]
        return [(one.column, one.words) for one in self.asked]


@dataclass(frozen=True, slots=True)
class Look:
    """One look at a part: a hash of all that its outcomes follow from, and the outcomes."""

    follows_from: str
    outcomes: list[Outcome]


class Carried:
    """What earlier audits found; it is asked, and told what was looked at, part by part."""

    def __init__(self, earlier: dict[str, Look], now: datetime) -> None:
        """Begin an audit at ``now`` with the looks of the audit before, by part."""
        self._earlier = earlier
        self._now = now
        self._hashes: dict[str, str] = {}
        self.looks: dict[str, Look] = {}

    def split(
        self, con: duckdb.DuckDBPyConnection, parts: list[Part], only: dict[str, str]
    ) -> tuple[list[Outcome], list[Part]]:
        """Return the outcomes that stand, and the parts that must be looked at.

        ``only`` has the SQL condition on the rows that are looked at, for the tables of which not
        all are.
        """
        hashes = _hashes(con, only)
        self._hashes = {part.name: _follows_from(part, hashes) for part in parts}
        total = sum(len(part.expectations) for part in parts)
        outcomes, due, before = list[Outcome](), list[Part](), 0
        for part in parts:
            weekday = DAYS * before // total
            before += len(part.expectations)
            look = self._earlier.get(part.name)
            if look is not None and self._stands(part, look, weekday):
                outcomes += look.outcomes
                self.looks[part.name] = look
            else:
                due.append(part)
        return outcomes, due

    def looked(self, part: Part, outcomes: list[Outcome]) -> list[Outcome]:
        """Return the outcomes of a part with the time of this audit; keep them for the next.

        What could not be evaluated is tried again in the next audit.
        """
        dated = [replace(one, looked_at=self._now) for one in outcomes]
        if all(one.state != "failed" or one.unmet is not None for one in outcomes):
            self.looks[part.name] = Look(self._hashes[part.name], dated)
        return dated

    def _stands(self, part: Part, look: Look, weekday: int) -> bool:
        times = [one.looked_at for one in look.outcomes if one.looked_at is not None]
        known = [(one.column, one.expectation) for one in look.outcomes]
        if look.follows_from != self._hashes[part.name] or known != part.expectations:
            return False
        if len(times) < len(known) or max(times) > self._now:
            return False  # a note that somebody changed, or a clock that was set back
        days = range(min(times).toordinal() + 1, self._now.toordinal() + 1)
        return all(day % DAYS != weekday for day in days)


def earlier(folder: FarmFolder) -> dict[str, Look]:
    """Return the looks of the last audit, by part; none if the note is lost or damaged."""
    found = files.read_state(_note(folder), dict[str, Look]) or {}
    dated = (one.looked_at for look in found.values() for one in look.outcomes)
    return found if all(at is not None and at.tzinfo for at in dated) else {}


def keep(folder: FarmFolder, looks: dict[str, Look]) -> None:
    """Keep the looks of an audit for the next one. Raises OSError."""
    content = {name: asdict(look) for name, look in looks.items()}
    files.write_text(_note(folder), json.dumps(content, default=str))


def _note(folder: FarmFolder) -> Path:
    return folder.state / "audited.json"


def _follows_from(part: Part, hashes: dict[str, str]) -> str:
    rows = [(name, hashes.get(name, "absent")) for name in sorted(part.reads)]
    return hashlib.sha256(repr((program(), part.asked, rows)).encode()).hexdigest()


@cache
def program(room: Path = Path(__file__).parent) -> str:
    """Return a hash of what evaluates expectations: the modules of this room and their libraries."""
    text = hashlib.sha256(repr([version(name) for name in _LIBRARIES]).encode())
    for path in sorted(room.glob("*.py")):
        text.update(path.name.encode() + path.read_bytes())
    return text.hexdigest()


def _hashes(con: duckdb.DuckDBPyConnection, only: dict[str, str]) -> dict[str, str]:
    """Return a hash of the columns and rows of each table that is there, in any order of rows."""
    columns = con.sql("""
        SELECT table_name, list([column_name, data_type] ORDER BY column_index)
        FROM duckdb_columns() WHERE schema_name = 'main' GROUP BY 1
    """).fetchall()
    found = {}
    for name, there in columns:
        if name in TABLES:
            values = ", ".join(generated.quoted(column) for column, _ in there)
            rows = con.execute(
                f"SELECT count(*), sum(h), bit_xor(h) FROM (SELECT hash({values}) AS h "
                f"FROM {generated.quoted(name)} {only.get(name, '')})"
            ).fetchall()
            found[name] = repr((there, rows))
    return found
