"""What a column and a table are: the one declaration from which all else is made.

The DDL, the SQL comments, the pandera check on write, the Great Expectations suite and the
data dictionary are made from these objects (see ``generated.py``), never written a second time.
"""

from dataclasses import dataclass
from enum import StrEnum
from typing import TypedDict, Unpack


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
    DERIVED = "derived"  # computed from daily and set-up rows if one of them changed
    NETWORK = "network"  # of many farms: in a network's snapshot, in no farm's warehouse


class Share(StrEnum):
    """What a share is of. Readers see every share in percent."""

    PART = "part"  # of any whole
    COVERAGE = "coverage"  # of the data that should be there; less than all never shows as all
    CHANCE = "chance"  # a probability; what is short of certain never shows as certain


class Compared(StrEnum):
    """How a formula sees the comparisons of a field with more than two strips."""

    ALONE = "alone"  # one at a time
    TOGETHER = "together"  # all at once, each as a field of its own: they share their scatter


# How a unit is written at the end of a column's name. A catalogue test holds every name to this.
SUFFIX: dict[str, str] = {
    "mm": "_mm",
    "cm": "_cm",
    "m": "_m",
    "km": "_km",
    "degC": "_c",
    "percent": "_pct",
    "percent/day": "_pct_d",
    "percent/delta_degC": "_pct_c",
    "delta_degC": "_c",
    "delta_degC/day": "_c_d",
    "m/s": "_m_s",
    "km/hour": "_km_h",
    "W/m^2": "_w_m2",
    "MJ/m^2": "_mj_m2",
    "kPa": "_kpa",
    "MPa": "_mpa",
    "kN": "_kn",
    "V": "_v",
    "dS/m": "_ds_m",
    "degree": "_deg",
    "s": "_s",
    "hour": "_h",
    "day": "_d",
    "hectare": "_ha",
    "kg": "_kg",
    "kg/ha": "_kg_ha",
    "kg/hectare": "_kg_ha",
    "kg/hL": "_kg_hl",
    "bushel/hectare": "_bu_ha",
    "kg/hectare/mm": "_kg_ha_mm",
    "L/hectare": "_l_ha",
    "delta_degC*day": "_c_d",
    "currency": "",
    "currency/hectare": "_per_ha",
    "currency/kg": "_per_kg",
    "currency/L": "_per_l",
    "currency/hour": "_per_h",
    "L": "_l",
    "kg/s": "_kg_s",
    "g/kg": "_g_kg",
    "m^3": "_m3",
    "m^3/hour": "_m3_h",
    "1": "",
}


@dataclass(frozen=True, slots=True)
class Column:
    """One column: name (its unit is the last part), kind, unit, meaning and limits.

    ``unit`` is a pint expression (``"mm"``, ``"degC"``, ``"kg/ha"``), ``"1"`` for a share or a
    pure number, empty where a unit makes no sense (names, days, flags). ``low`` and ``high`` are
    what physics or arithmetic allows, both inclusive. ``share`` marks a pure number that is part
    of a whole, and says of which. A key column is required. ``provenance`` marks a column that
    says how a value arrived, not what it says: it is left out of the checksum. ``as_list`` columns
    are stored as lists (see ``Table.list_columns``).
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
    as_list: bool = False
    share: Share | None = None

    def __post_init__(self) -> None:
        """Require what is part of the key."""
        if self.key:
            object.__setattr__(self, "required", True)


@dataclass(frozen=True, slots=True)
class Table:
    """One table: its name is also that of its module in ``transforms/`` and of its test.

    A ``wide`` table is a view over the table of this name in the schema ``kept``, which has only
    the columns that ever had a value. A logger reports a third of what can be reported, and a
    column without values costs as much to write as one with them (measured). A ``compared`` table
    compares the strips of a field two by two (see ``compared.py``).
    """

    name: str
    tier: Tier
    row: str
    columns: tuple[Column, ...]
    checksum: bool = True
    wide: bool = False
    compared: Compared | None = None

    @property
    def key(self) -> tuple[str, ...]:
        """Names of the columns that together are one row's identity."""
        return tuple(column.name for column in self.columns if column.key)

    @property
    def names(self) -> tuple[str, ...]:
        """All column names, in order."""
        return tuple(column.name for column in self.columns)

    @property
    def list_columns(self) -> tuple[str, ...]:
        """Names of the columns stored as lists; the first one (depth) identifies the entries.

        Rows that share all other columns are stored as one row with lists: the sensors of a probe
        are written at once, so they are stored at once (measured: a quarter of the time and half
        of the store).
        """
        return tuple(column.name for column in self.columns if column.as_list)

    def __getitem__(self, name: str) -> Column:
        """Return the column of that name; raise KeyError if there is none."""
        for column in self.columns:
            if column.name == name:
                return column
        raise KeyError(f"table {self.name} has no column {name}")


class Options(TypedDict, total=False):
    """What any kind of column may be besides."""

    key: bool
    required: bool
    provenance: bool


def text(
    name: str, meaning: str, *, one_of: tuple[str, ...] = (), **options: Unpack[Options]
) -> Column:
    """Declare a column of words."""
    return Column(name, Kind.TEXT, meaning, one_of=one_of, **options)


def number(
    name: str,
    unit: str,
    meaning: str,
    low: float | None = None,
    high: float | None = None,
    **options: Unpack[Options],
) -> Column:
    """Declare a measured or computed number, in ``unit``."""
    return Column(name, Kind.NUMBER, meaning, unit, low, high, **options)


def share(
    name: str,
    meaning: str,
    *,
    low: float | None = 0.0,
    high: float | None = 1.0,
    of: Share = Share.PART,
) -> Column:
    """Declare a share: between 0 and 1, or between other limits if it may pass the whole."""
    return Column(name, Kind.NUMBER, meaning, "1", low, high, share=of)


def unlimited_share(name: str, meaning: str) -> Column:
    """Declare a share that may pass the whole, as far as the data say, or a difference of shares."""
    return share(name, meaning, low=None, high=None)


def coverage(meaning: str, name: str = "coverage") -> Column:
    """Declare the share of the data that should be there and is."""
    return share(name, meaning, of=Share.COVERAGE)


def chance(name: str, meaning: str) -> Column:
    """Declare a probability."""
    return share(name, meaning, of=Share.CHANCE)


def count(
    name: str,
    meaning: str,
    *,
    low: float | None = 0,
    high: float | None = None,
    **options: Unpack[Options],
) -> Column:
    """Declare a whole number of things, or a year or month number."""
    return Column(name, Kind.COUNT, meaning, "1", low, high, **options)


def flag(name: str, meaning: str, **options: Unpack[Options]) -> Column:
    """Declare a yes, no, or (null) not evaluated."""
    return Column(name, Kind.FLAG, meaning, **options)


def day(name: str, meaning: str, **options: Unpack[Options]) -> Column:
    """Declare a day of the farm's climatological calendar."""
    return Column(name, Kind.DAY, meaning, **options)


def time(name: str, meaning: str, **options: Unpack[Options]) -> Column:
    """Declare an instant, UTC."""
    return Column(name, Kind.TIME, meaning, **options)
