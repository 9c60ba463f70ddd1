"""Work out what a row is about: whose instruments, which field and strip, which days."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from typing import Any

import duckdb

from flows.trust.explain.row import Row
from schemas import generated
from schemas.compared import STRIP
from schemas.table import Kind, Table, Tier

# What identifies a thing wherever it stands.
SAME = ("station", "probe", "field", "strip", "depth_cm", "practice", "season")
# The word of the field book for the two strips of a field.
BOTH = "both"
MAY_MEAN_BOTH = ("cost", "irrigation", "observation", "water_meter_day")
# What people entered that says nothing of other days.
OF_THEIR_DAY = frozenset({"irrigation"})
_FROM, _TO = ("from_day", "first_day", "begin_day"), ("to_day", "last_day", "end_day")


@dataclass(slots=True)
class Scope:
    """What a row is about: columns that are equal in all rows about it, and days.

    ``first`` and ``last`` day are null if the row is not about days; ``time`` is that of a reading.
    """

    same: dict[str, Any] = field(default_factory=dict)
    first: date | None = None
    last: date | None = None
    time: datetime | None = None

    def where(self, table: Table) -> tuple[str, list[Any]]:
        """Return the SQL condition for a table's rows that belong to it, and its parameters."""
        parts, values = [], []
        for name, value in self.same.items():
            # Normals are of the farm's long record, whichever station is compared with them.
            of_record = name == "station" and table.name.startswith("normal_")
            by_day = name == "season" and self._dated(table)
            if name in table.names and not of_record and not by_day:
                both = name == "strip" and table.name in MAY_MEAN_BOTH
                also = f" OR {generated.quoted(name)} = '{BOTH}'" if both else ""
                parts.append(f"({generated.quoted(name)} = ?{also})")
                values.append(value)
        if self.first is not None and self._dated(table):
            parts.append("day BETWEEN ? AND ?")
            values += [self.first, self.last]
        elif self.first is not None and {"year", "month"} <= set(table.key):
            parts.append(
                "make_date(year, month, 1) BETWEEN date_trunc('month', CAST(? AS DATE)) AND ?"
            )
            values += [self.first, self.last]
        elif self.first is not None and "month" in table.key and self.last is not None:
            parts.append("month IN (SELECT unnest(CAST(? AS INTEGER[])))")
            values.append(_months(self.first, self.last))
        return " AND ".join(parts) or "true", values

    @staticmethod
    def _dated(table: Table) -> bool:
        # What people entered holds beyond its day: an operation of years ago stands behind a season.
        holds = table.tier is Tier.SETUP and table.name not in OF_THEIR_DAY
        return not holds and "day" in table.key and table["day"].kind is Kind.DAY


def _months(first: date, last: date) -> list[int]:
    """Return the calendar months that a span of days touches."""
    count = (last.year - first.year) * 12 + last.month - first.month + 1
    return sorted({(first.month - 1 + i) % 12 + 1 for i in range(min(count, 12))})


def of(con: duckdb.DuckDBPyConnection, row: Row, table: Table) -> Scope:
    """Return what a row of a table is about; a season's days are those of the book, seeding to harvest.

    A row that compares two strips is about both of them.
    """
    about = [name for name in SAME if name != "strip" or STRIP not in table.columns]
    scope = Scope({name: row[name] for name in about if row.get(name) is not None})
    if row.get("kind") in ("station", "probe") and row.get("instrument"):
        scope.same[row["kind"]] = row["instrument"]
    scope.time = row["time"] if isinstance(row.get("time"), datetime) else None
    if isinstance(row.get("day"), date):
        scope.first = scope.last = row["day"]
    elif row.get("year") and row.get("month"):
        scope.first = date(row["year"], row["month"], 1)
        scope.last = (scope.first + timedelta(days=31)).replace(day=1) - timedelta(days=1)
    else:
        scope.first = next((row[n] for n in _FROM if row.get(n)), None)
        scope.last = next((row[n] for n in _TO if row.get(n)), None)
    if (scope.first is None or scope.last is None) and {"field", "season"} <= set(scope.same):
        found = con.sql(
            "SELECT seeded, harvested FROM season WHERE field = ? AND season = ?",
            params=[scope.same["field"], scope.same["season"]],
        ).fetchall()
        scope.first, scope.last = found[0] if found else (None, None)
    if scope.first is None or scope.last is None:
        scope.first = scope.last = None
    return scope
