"""A table's formula is broken; everything else has to be made all the same."""

import shutil
from collections.abc import Callable, Iterator
from datetime import timedelta
from functools import wraps
from pathlib import Path

import duckdb
import polars as pl
import pytest

from flows.derive import derive, making, waiting_days
from flows.store import checksum, derive_problems, warehouse
from schemas.catalogue import TABLES
from schemas.compared import COMPARISON, sees_comparisons
from schemas.table import Column, Kind, Table
from tests.flows import invented
from tests.flows.pages import farm
from transforms import order

MADE = (*order.DAILY, *order.DERIVED)
# What is made from a table is known the same way for all; these are of every room.
SOME = (*order.DAILY, *order.DERIVED[4::5])
OTHER_METHOD = "DELETE FROM used.made WHERE table_name = ?"  # as another method of it would
Sums = dict[str, tuple[int, int]]


class Formulas:
    """The real formulas; one that gets the same rows again is not run again."""

    def __init__(self) -> None:
        self._known: dict[str, list[tuple[dict[str, pl.DataFrame], pl.DataFrame]]] = {}
        self._real = making.function

    def __call__(self, name: str) -> Callable[..., pl.DataFrame]:
        real = self._real(name)

        @wraps(real)
        def made(**given: pl.DataFrame) -> pl.DataFrame:
            for before, rows in self._known.setdefault(name, []):
                if all(frame.equals(before[table]) for table, frame in given.items()):
                    return rows
            rows = real(**given)
            self._known[name].append((given, rows))
            return rows

        return made

    def broken(
        self, table: str, fault: Callable[[pl.DataFrame], pl.DataFrame]
    ) -> Callable[[str], Callable[..., pl.DataFrame]]:
        """The same with one formula whose rows go through ``fault``."""

        def function(name: str) -> Callable[..., pl.DataFrame]:
            whole = self(name)

            @wraps(whole)
            def made(**given: pl.DataFrame) -> pl.DataFrame:
                return fault(whole(**given))

            return made if name == table else whole

        return function


@pytest.fixture(scope="module")
def formulas() -> Formulas:
    return Formulas()


@pytest.fixture(scope="module")
def landed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A season of one field, landed; nothing is derived yet."""
    folder = invented.folder_at(tmp_path_factory.mktemp("landed"))
    with warehouse.open_writer(folder) as con:
        invented.put_setup(con, invented.setup() | farm.book())
        rows = invented.readings(farm.DAYS, step_h=6)
        sun = rows["weather_reading"].with_columns(solar_radiation_w_m2=200.0)
        invented.put(con, rows | {"weather_reading": sun})
    return folder.warehouse_file


@pytest.fixture(scope="module")
def clean(landed: Path, formulas: Formulas, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The same, derived by formulas that are whole."""
    path = Path(shutil.copy(landed, tmp_path_factory.mktemp("clean") / "warehouse.duckdb"))
    with pytest.MonkeyPatch.context() as patch, warehouse.open_file(path) as con:
        patch.setattr(making, "function", formulas)
        assert not derive.derive(con).problems
    return path


@pytest.fixture(scope="module")
def expected(clean: Path) -> Sums:
    with warehouse.open_file(clean) as con:
        return sums(con)


@pytest.fixture
def underived(landed: Path, tmp_path: Path) -> Iterator[duckdb.DuckDBPyConnection]:
    with warehouse.open_file(Path(shutil.copy(landed, tmp_path / "landed.duckdb"))) as con:
        yield con


@pytest.fixture
def derived(clean: Path, tmp_path: Path) -> Iterator[duckdb.DuckDBPyConnection]:
    with warehouse.open_file(Path(shutil.copy(clean, tmp_path / "clean.duckdb"))) as con:
        yield con


def sums(con: duckdb.DuckDBPyConnection) -> Sums:
    return {one.name: (one.rows, one.value) for one in checksum.checksums(con) if one.name in MADE}


def with_dependents(table: str) -> set[str]:
    found = {table}
    for name in order.DERIVED:
        made_from = making.sources(name)
        shown = {COMPARISON} if sees_comparisons(TABLES[name], made_from) else set()
        if found & ({source.name for source in made_from} | shown):
            found.add(name)
    return found


def fails(rows: pl.DataFrame) -> pl.DataFrame:
    raise ZeroDivisionError("division by zero\nand more")


@pytest.mark.parametrize("table", SOME)
def test_a_formula_that_fails_stops_only_what_is_made_from_it(
    table: str,
    underived: duckdb.DuckDBPyConnection,
    formulas: Formulas,
    expected: Sums,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(making, "function", formulas.broken(table, fails))
    done = derive.derive(underived)
    lost = with_dependents(table)
    assert set(derive_problems.not_made(underived)) == lost
    assert derive_problems.not_made(underived)[table] == "division by zero"
    assert f"The table {table} could not be made: division by zero." in done.problems[0]
    nothing = dict.fromkeys(lost, (0, 0))
    assert sums(underived) == expected | nothing
    waiting = underived.sql("SELECT DISTINCT kind FROM touched_day").fetchall()
    assert waiting == ([(TABLES[table].key[0],)] if table in order.DAILY else [])
    monkeypatch.setattr(making, "function", formulas)
    assert not derive.derive(underived).problems
    assert sums(underived) == expected
    assert underived.sql("FROM touched_day").fetchall() == []


@pytest.mark.parametrize("table", SOME)
def test_a_table_that_fails_keeps_its_last_good_rows(
    table: str,
    derived: duckdb.DuckDBPyConnection,
    formulas: Formulas,
    expected: Sums,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(making, "function", formulas.broken(table, fails))
    derived.execute(OTHER_METHOD, [table])
    derive.derive(derived)
    assert sums(derived) == expected
    lost = with_dependents(table)
    lines = checksum.lines(derived)
    assert set(lines[-1].partition(" all but ")[2].split(", ")) == lost
    assert {line.split()[2] for line in lines if "could not be made" in line} == lost


def faults(table: Table, rows: pl.DataFrame) -> tuple[pl.DataFrame, set[tuple[str, str]]]:
    """Rows with every fault that the table can have; and column and reason of each."""
    first = rows.head(1)
    spoiled, found = rows, set()
    free = [c for c in table.columns if not c.required]
    limited = [c for c in free if c.low is not None or c.high is not None]
    for column in limited[:1]:
        spoiled = put(spoiled, column, beyond(column))
        found.add((column.name, "above" if column.high is not None else "below"))
    numbers = [c for c in free if c.kind is Kind.NUMBER and c not in limited[:1]]
    for column, value, reason in zip(
        numbers, (float("nan"), float("inf")), ("not a number", "infinite"), strict=False
    ):
        spoiled = put(spoiled, column, value)
        found.add((column.name, reason))
    key = table.key[0]
    found |= {(key, "missing"), ("", "several rows have this key")}
    return pl.concat([spoiled, spoiled.tail(1), first.with_columns(pl.lit(None).alias(key))]), found


def put(rows: pl.DataFrame, column: Column, value: float) -> pl.DataFrame:
    """Rows with a value in the first of them."""
    here = pl.int_range(pl.len()) == 0
    changed = pl.when(here).then(value).otherwise(column.name)
    return rows.with_columns(changed.cast(rows.schema[column.name]).alias(column.name))


def beyond(column: Column) -> float:
    return column.high + 1 if column.high is not None else (column.low or 0) - 1


@pytest.mark.parametrize("table", MADE)
def test_values_that_cannot_be_are_left_out_and_the_run_goes_on(
    table: str,
    derived: duckdb.DuckDBPyConnection,
    formulas: Formulas,
    expected: Sums,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    asked: set[tuple[str, str]] = set()

    def fault(rows: pl.DataFrame) -> pl.DataFrame:
        given = invented.frame(table, rows.to_dicts()) if rows.height else one_row(TABLES[table])
        spoiled, found = faults(TABLES[table], given)
        asked.update(found)
        return spoiled

    monkeypatch.setattr(making, "function", formulas.broken(table, fault))
    derived.execute(OTHER_METHOD, [table])
    done = derive.derive(derived)
    assert derive_problems.not_made(derived) == {}
    found = warehouse.read(derived, TABLES["derive_problem"])
    assert set(found["table_name"]) == {table}
    reasons = pl.col("reason").str.extract(r"^(above|below|.*)")
    assert set(found.select("column_name", reasons).rows()) == asked
    assert len(done.problems) == len(asked)
    apart = {n: one for n, one in expected.items() if n not in with_dependents(table)}
    assert apart.items() <= sums(derived).items()
    stored = warehouse.read(derived, TABLES[table])
    warehouse.check(TABLES[table], stored)
    assert all(column.is_finite().all() for column in stored.select(pl.col(pl.Float64)))
    if "reason" in stored.columns and stored.height:
        assert stored["reason"].str.contains("was outside its limits").any()


def test_a_problem_that_stays_is_published_once_and_ends_with_its_cause(
    derived: duckdb.DuckDBPyConnection,
    formulas: Formulas,
    expected: Sums,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def fault(rows: pl.DataFrame) -> pl.DataFrame:
        return faults(TABLES["rain_day"], rows)[0]

    monkeypatch.setattr(making, "function", formulas.broken("rain_day", fault))
    derived.execute("DELETE FROM used.made")  # as another method would
    first = derive.derive(derived)
    revision = warehouse.revision(derived)
    again = derive.derive(derived)
    assert again.problems == first.problems != []
    assert (again.tables, warehouse.revision(derived)) == ([], revision)
    monkeypatch.setattr(making, "function", formulas)
    assert not derive.derive(derived).problems
    assert sums(derived) == expected


def test_a_problem_of_a_day_stays_until_that_day_is_made_again(
    derived: duckdb.DuckDBPyConnection, formulas: Formulas, monkeypatch: pytest.MonkeyPatch
) -> None:
    first = pl.col("day") == invented.FIRST

    def fault(rows: pl.DataFrame) -> pl.DataFrame:
        return rows.with_columns(vwc_max_pct=pl.when(first).then(1e9).otherwise("vwc_max_pct"))

    monkeypatch.setattr(making, "function", formulas.broken("soil_day", fault))
    derived.execute("DELETE FROM used.made")
    problems = derive.derive(derived).problems
    assert problems == [
        "6 values of soil_day.vwc_max_pct left out (above 100). "
        "The table derive_problem lists each one."
    ]
    monkeypatch.setattr(making, "function", formulas)
    for day, expected in ((9, problems), (0, [])):
        touched = {"instrument": ["probe T", "probe C"], "kind": "probe"}
        touched |= {"day": invented.FIRST + timedelta(days=day)}
        waiting_days.touch(derived, pl.DataFrame(touched))
        assert derive.derive(derived).problems == expected


def one_row(table: Table) -> pl.DataFrame:
    """A row of a table that has none on this farm, as its declaration asks."""
    words = {
        Kind.TEXT: "station T",  # a daily row has to be of one that has readings
        Kind.NUMBER: 0.0,
        Kind.COUNT: 1,
        Kind.FLAG: True,
        Kind.DAY: invented.FIRST,
    }
    required = (column for column in table.columns if column.required)
    row = {c.name: c.one_of[0] if c.one_of else c.low or words[c.kind] for c in required}
    return invented.frame(table.name, [row])
