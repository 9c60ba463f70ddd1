"""Make the rows of a table by its module: declared, checked, sorted and rounded.

What a table is made from is read from the parameters of its ``derive``; nothing is listed twice.
"""

import inspect
from collections.abc import Callable, Mapping
from importlib import import_module
from types import ModuleType

import polars as pl

from flows.derive.problems import FAILURES, Problems
from schemas import compared, generated
from schemas.catalogue import ROOMS, TABLES
from schemas.compared import COMPARISON
from schemas.table import Table
from transforms.methods import comparisons

# Stored to nine decimals, and no more than twelve digits.
_DECIMALS, _DIGITS = 9, 12
# Not a half: the mean of two stored numbers lies at a half often, and never at this.
_UP = (5**0.5 - 1) / 2


def module(name: str) -> ModuleType:
    """Return the module of ``transforms/`` that makes a table."""
    return import_module(f"transforms.{ROOMS[name]}.{name}")


def function(name: str) -> Callable[..., pl.DataFrame]:
    """Return the ``derive`` of a table's module in ``transforms/``."""
    made_by: Callable[..., pl.DataFrame] = module(name).derive
    return made_by


def sources(name: str) -> tuple[Table, ...]:
    """Return the tables that a table is made from: the parameters of its ``derive``."""
    return tuple(TABLES[parameter] for parameter in inspect.signature(function(name)).parameters)


def columns_read(name: str) -> Mapping[str, tuple[str, ...]]:
    """Return the columns of large sources that a table's module says it reads, in ``READS``."""
    reads: Mapping[str, tuple[str, ...]] = getattr(module(name), "READS", {})
    return reads


def made(
    table: Table,
    given: dict[str, pl.DataFrame],
    problems: Problems,
    *,
    days: pl.DataFrame | None = None,
    stored: pl.DataFrame | None = None,
    of: Callable[[pl.DataFrame], pl.DataFrame] = lambda rows: rows,
) -> pl.DataFrame | None:
    """Return a table's rows as its module makes them: declared, checked, sorted and rounded.

    Of a daily table only those of ``days`` (instrument, day), of parts only what is ``of`` them.
    Rows equal to those ``stored`` were checked before. None if the table cannot be made.
    """
    try:
        rows = of(generated.conform(by_strips(table, given), table)).sort(table.key)
        rows = rows.with_columns(settled(pl.col(pl.Float64)))
        if days is not None:
            place = [table.key[0], "day"]
            here = rows.join(days, left_on=place, right_on=["instrument", "day"], how="semi")
            nowhere = rows.filter(pl.any_horizontal(pl.col(place).is_null()))
            rows = pl.concat([here, nowhere])
        if stored is not None and rows.equals(stored):
            return rows
        return problems.fitted(table, rows, days)
    except FAILURES as error:
        problems.failed(table, error)
        return None


def by_strips(table: Table, given: dict[str, pl.DataFrame]) -> pl.DataFrame:
    """Return a table's rows as its formula makes them of ``given``, its sources by name.

    A formula that compares strips, or goes by a table that does, is shown the comparisons of fields with
    more than two strips; ``comparison`` is then among the sources whether or not the formula names it.
    """
    made_by, own = function(table.name), [source.name for source in sources(table.name)]
    if not compared.sees_comparisons(table, [TABLES[name] for name in own]):
        return made_by(**{name: given[name] for name in own})
    made_of = []
    for place, part in enumerate(comparisons.parts(given[COMPARISON], table)):
        seen = {
            name: given[name]
            if name == COMPARISON
            else comparisons.seen(given[name], TABLES[name], part, only=place > 0)
            for name in own
        }
        rows = made_by(**seen)
        if place:
            rows = rows.filter(pl.col("field").is_in(part["field"].to_list()))
        made_of.append(comparisons.stored(rows, table, part))
    return pl.concat(made_of)


def settled(value: pl.Expr) -> pl.Expr:
    """Return a number rounded so that the order in which threads add up does not show.

    That order changes the sixteenth digit of a sum, and all that is left of a difference of nearly
    equal numbers. Rounded away, a table that says the same is the same, bit by bit.
    """
    digits = pl.lit(10.0).pow(_DIGITS - 1 - value.abs().log10().floor())
    per_step = digits.clip(1.0, 10.0**_DECIMALS)
    return (value * per_step + _UP).floor() / per_step
