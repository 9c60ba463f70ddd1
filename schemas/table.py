"""What a column and a table are: the one declaration from which all else is made.

The DDL, the SQL comments, the pandera check on write, the Great Expectations suite and the
data dictionary are derived from these objects (see ``made.py``), never written a second time.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Kind(StrEnum):
    """The six kinds of column, each with its DuckDB type."""

    TEXT = "VARCHAR"
    NUMBER = "DOUBLE"
    COUNT = "BIGINT"
    FLAG = "BOOLEAN"
    DAY = "DATE"
    TIME = "TIMESTAMPTZ"


class Tier(StrEnum):
    """Where the rows of a table come from."""

    RECEIPT = "receipt"  # what arrived, what was refused, what ran
    SETUP = "setup"  # farm.toml and the field book, whole each time
    READING = "reading"  # landed instrument values
    DAILY = "daily"  # reduced from readings, touched days only
    DERIVED = "derived"  # computed whole from daily and set-up rows, every time


@dataclass(frozen=True, slots=True)
class Column:
    """One column: name (its unit is the last part), kind, unit, meaning and limits.

    ``unit`` is a pint expression (``"mm"``, ``"degC"``, ``"kg/ha"``), ``"1"`` for a share or a
    pure number, empty where a unit makes no sense (names, days, flags). ``low`` and ``high`` are
    what physics or arithmetic allows, both inclusive. ``provenance`` marks a column that says how
    a value arrived, not what it says: it is left out of the checksum. ``listed`` columns are kept
    as lists, an entry a row (see ``Table.listed``).
    """

    name: str
    kind: Kind
    meaning: str
    unit: str = ""
    low: float | None = None
    high: float | None = None
    key: bool = False
    required: bool = False
    one_of: tuple[str, ...] = ()
    provenance: bool = False
    listed: bool = False


@dataclass(frozen=True, slots=True)
class Table:
    """One table: its name is also that of its module in ``transforms/`` and of its test.

    A ``kept`` table is a view: its rows stand in the table of this name in the schema ``kept``,
    which has those columns alone that ever had a value. A logger reports a third of what can be
    reported, and a column without values costs as much to write as one with them (measured).
    """

    name: str
    tier: Tier
    row: str
    columns: tuple[Column, ...]
    checksum: bool = True
    kept: bool = False

    @property
    def key(self) -> tuple[str, ...]:
        """Names of the columns that together are one row's identity."""
        return tuple(column.name for column in self.columns if column.key)

    @property
    def names(self) -> tuple[str, ...]:
        """All column names, in order."""
        return tuple(column.name for column in self.columns)

    @property
    def listed(self) -> tuple[str, ...]:
        """The columns that are kept as lists, the one that tells the entries apart first.

        Where there are any, the rows that share all other columns are kept as one row with lists:
        the sensors of a probe are written at once, so they are stored at once (measured: a quarter
        of the time and half of the store).
        """
        return tuple(column.name for column in self.columns if column.listed)

    def __getitem__(self, name: str) -> Column:
        """The column of that name; raises KeyError when there is none."""
        for column in self.columns:
            if column.name == name:
                return column
        raise KeyError(f"table {self.name} has no column {name}")


def text(
    name: str,
    meaning: str,
    *,
    key: bool = False,
    required: bool = False,
    one_of: tuple[str, ...] = (),
    provenance: bool = False,
) -> Column:
    """A column of words."""
    return Column(
        name,
        Kind.TEXT,
        meaning,
        key=key,
        required=required or key,
        one_of=one_of,
        provenance=provenance,
    )


def number(
    name: str,
    unit: str,
    meaning: str,
    low: float | None = None,
    high: float | None = None,
    *,
    key: bool = False,
    required: bool = False,
    provenance: bool = False,
) -> Column:
    """A measured or computed number, in ``unit``."""
    return Column(
        name,
        Kind.NUMBER,
        meaning,
        unit=unit,
        low=low,
        high=high,
        key=key,
        required=required or key,
        provenance=provenance,
    )


def share(name: str, meaning: str, *, required: bool = False) -> Column:
    """A share between 0 and 1."""
    return number(name, "1", meaning, 0.0, 1.0, required=required)


def count(
    name: str,
    meaning: str,
    *,
    low: float | None = 0,
    high: float | None = None,
    key: bool = False,
    required: bool = False,
    provenance: bool = False,
) -> Column:
    """A whole number of things, or a year or month number."""
    return Column(
        name,
        Kind.COUNT,
        meaning,
        unit="1",
        low=low,
        high=high,
        key=key,
        required=required or key,
        provenance=provenance,
    )


def flag(name: str, meaning: str, *, required: bool = False) -> Column:
    """Yes, no, or (null) not evaluated."""
    return Column(name, Kind.FLAG, meaning, required=required)


def day(name: str, meaning: str, *, key: bool = False, required: bool = False) -> Column:
    """A day of the farm's climatological calendar."""
    return Column(name, Kind.DAY, meaning, key=key, required=required or key)


def time(
    name: str,
    meaning: str,
    *,
    key: bool = False,
    required: bool = False,
    provenance: bool = False,
) -> Column:
    """An instant, UTC."""
    return Column(
        name, Kind.TIME, meaning, key=key, required=required or key, provenance=provenance
    )


def partial() -> Column:
    """The flag that every derived table carries."""
    return flag("partial", "true where the row was made from part of the data that should be there")


def reason() -> Column:
    """Why a number of the row is missing or partial."""
    return text("reason", "in plain words, why a number is missing or partial; null when whole")
