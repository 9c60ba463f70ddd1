"""Take out of a made table what breaks its declaration, and note what was left out and why.

A single value must not keep the others from being made: it becomes null. A row without a key, or
one of several with the same key, is left out. A table that cannot be made keeps its last good rows,
and so does all that is made from it. Each is a row of ``derive_problem``.
"""

import logging

import duckdb
import polars as pl
from polars.exceptions import PanicException

from flows.base import files
from flows.farm import logs
from flows.store import warehouse
from schemas import generated
from schemas.catalogue import TABLES
from schemas.table import Column, Kind, Table
from transforms import order

# What a formula can fail with; a panic of polars is no Exception.
FAILURES = (Exception, PanicException)

_PROBLEM = TABLES["derive_problem"]
_LONGEST = 500
# In place of a column, for what is wrong with a whole row.
_ROW = ""


class Problems:
    """The problems of one derive, and those that earlier runs left on days not rebuilt."""

    def __init__(self, con: duckdb.DuckDBPyConnection) -> None:
        """Begin with those of the daily rows; all others are found again if they are still there."""
        self._before = warehouse.read(con, _PROBLEM)
        placed = pl.all_horizontal(pl.col("instrument", "day").is_not_null())
        daily = pl.col("table_name").is_in(order.DAILY)
        self._rows = self._before.filter(daily & placed)
        self.not_made: dict[str, str] = {}

    @property
    def count(self) -> int:
        """Return how many values and rows were left out so far."""
        return self._rows.height

    def failed(self, table: Table, error: BaseException) -> None:
        """Note that a table could not be made, with the first line of the error; log all of it."""
        logging.getLogger(logs.NAME).error("%s could not be made", table.name, exc_info=error)
        self.blocked(table, (str(error).strip().splitlines() or [type(error).__name__])[0])

    def blocked(self, table: Table, reason: str) -> None:
        """Note that a table was not made, and why."""
        self.not_made[table.name] = files.readable(reason.rstrip(".")[:_LONGEST])

    def fitted(
        self, table: Table, rows: pl.DataFrame, days: pl.DataFrame | None = None
    ) -> pl.DataFrame:
        """Return the rows as their declaration allows; note what was taken out.

        ``days`` (instrument, day) are those that the rows of a daily table were rebuilt for:
        their earlier problems are forgotten. Raises ValueError if the rows break the declaration
        even so.
        """
        kept, found = (rows, self._rows.clear()) if _fits(table, rows) else _parted(table, rows)
        if not found.is_empty():
            warehouse.check(table, kept)
        if days is not None:
            gone = days.select(pl.lit(table.name).alias("table_name"), "instrument", "day")
            self._rows = self._rows.join(gone, on=gone.columns, how="anti")
        self._rows = pl.concat([self._rows, found])
        return kept

    def unplaced(self, table: Table) -> bool:
        """Return whether days of a daily table have to wait: it is not known which are missing."""
        unknown = pl.any_horizontal(pl.col("instrument", "day").is_null())
        mine = self._rows.filter((pl.col("table_name") == table.name) & unknown)
        return table.name in self.not_made or not mine.is_empty()

    def write(self, con: duckdb.DuckDBPyConnection) -> None:
        """Store them, if they are not those that are stored."""
        tables = pl.DataFrame(
            list(self.not_made.items()),
            {"table_name": pl.String, "reason": pl.String},
            orient="row",
        ).with_columns(column_name=pl.lit(""), row_key=pl.lit(""), lost=pl.lit("table"))
        found = pl.concat([self._rows, generated.conform(tables, _PROBLEM)]).sort(pl.all())
        found = found.unique(_PROBLEM.key, keep="first").sort(_PROBLEM.key)
        if not found.equals(self._before):
            warehouse.replace(con, _PROBLEM, found)


def _fits(table: Table, rows: pl.DataFrame) -> bool:
    """Return whether rows are as declared; a number that is none or infinite never is."""
    if not all(column.is_finite().all() for column in rows.select(pl.col(pl.Float64))):
        return False
    try:
        warehouse.check(table, rows)
    except ValueError:
        return False
    return True


def _parted(table: Table, rows: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Return the rows that can stay, their faulty values null, and all that is wrong."""
    required = [column.name for column in table.columns if column.required]
    optional = [name for name in table.names if name not in required]
    keyless = pl.any_horizontal(_found(name).is_not_null() for name in table.key)
    twice = pl.struct(table.key).is_duplicated() & ~keyless
    judged = rows.with_columns(_fault(c).alias(_fault_name(c.name)) for c in table.columns)
    judged = judged.with_columns(
        pl.when(twice).then(pl.lit("several rows have this key")).alias(_fault_name(_ROW))
    )
    faulty = {
        name: wrong
        for name in (*table.names, _ROW)
        if not (wrong := judged.filter(_found(name).is_not_null())).is_empty()
    }
    problems = [
        _described(table, wrong, name, "value" if name in optional else "row")
        for name, wrong in faulty.items()
    ]
    aside = pl.any_horizontal(_found(name).is_not_null() for name in (*required, _ROW))
    values = [name for name in optional if name in faulty]
    kept = judged.filter(~aside).with_columns(
        *(pl.when(_found(name).is_null()).then(name).alias(name) for name in values),
        *_noted(table, values),
    )
    return kept.select(table.names), pl.concat(problems)


def _noted(table: Table, values: list[str]) -> list[pl.Expr]:
    """Return ``partial`` and ``reason`` of rows whose values were left out, if the table has them."""
    if not values:
        return []
    words = [
        pl.when(_found(name).is_not_null()).then(pl.lit(f"{name} was outside its limits"))
        for name in values
    ]
    reason = pl.concat_str("reason", *words, separator="; ", ignore_nulls=True).replace("", None)
    left_out = pl.any_horizontal(_found(name).is_not_null() for name in values)
    noted = {"reason": reason, "partial": pl.col("partial") | left_out}
    return [value.alias(name) for name, value in noted.items() if name in table.names]


def _described(table: Table, wrong: pl.DataFrame, name: str, lost: str) -> pl.DataFrame:
    """Return rows of ``derive_problem`` for faults of one column, or of whole rows."""
    key = (
        pl.format(f"{k} {{}}", pl.col(k).cast(pl.String).fill_null("missing")) for k in table.key
    )
    instrument = [n for n in ("station", "probe", "instrument") if n in table.names]
    described = wrong.select(
        table_name=pl.lit(table.name),
        column_name=pl.lit(name),
        row_key=pl.concat_str(*key, separator=", "),
        lost=pl.lit(lost),
        value=pl.lit(None) if name == _ROW else pl.col(name).cast(pl.String),
        reason=_found(name),
        instrument=pl.col(instrument[0]) if instrument else pl.lit(None),
        day=pl.col("day") if "day" in table.names else pl.lit(None),
    )
    return generated.conform(described, _PROBLEM)


def _fault_name(name: str) -> str:
    """Return the name under which the faults of a column are; no column's name has a blank."""
    return f"{name} fault"


def _found(name: str) -> pl.Expr:
    return pl.col(_fault_name(name))


def _fault(column: Column) -> pl.Expr:
    """Return what is wrong with each value of a column; null if nothing is."""
    value = pl.col(column.name)
    wrong: list[tuple[pl.Expr, str]] = []
    if column.kind is Kind.NUMBER:
        wrong += [(value.is_nan(), "not a number"), (value.is_infinite(), "infinite")]
    if column.low is not None:
        wrong.append((value < column.low, f"below {column.low:g}"))
    if column.high is not None:
        wrong.append((value > column.high, f"above {column.high:g}"))
    if column.one_of:
        wrong.append((~value.is_in(column.one_of), f"none of: {', '.join(column.one_of)}"))
    if column.required:
        wrong.append((value.is_null(), "missing"))
    cases = [pl.when(bad).then(pl.lit(words)) for bad, words in wrong]
    return pl.coalesce(*cases, pl.lit(None, pl.String))
