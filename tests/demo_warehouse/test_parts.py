"""What a table says that its rows depend on is true of the demo: each part alone is as among all."""

import shutil

import polars as pl
import pytest

from flows.derive import made_by, making
from flows.derive.hashed import Hashed
from flows.derive.parts import Divided, Word
from flows.store import connection, warehouse
from schemas import generated
from schemas.catalogue import TABLES

METHODS = made_by.of_files(made_by.ROOT)
PARTED = [name for name, method in METHODS.items() if method.part]
# No sensor of the demo steps.
NONE = {"soil_step", "soil_offset"}


@pytest.fixture(scope="module")
def con(derived, tmp_path_factory):
    copy = tmp_path_factory.mktemp("parts") / "copy.duckdb"
    shutil.copy(derived.warehouse_file, copy)
    opened = connection.connect(copy)
    yield opened
    opened.close()


def alone(con, name: str, word: Word) -> tuple[pl.DataFrame, int]:
    """The rows of a table made a part at a time, and how many parts it has."""
    table, sources = TABLES[name], METHODS[name].sources
    parts = Divided(con, Hashed(con)).parts("", word, sources)
    made = []
    for part in parts.made_from:
        given = {source: parts.given(con, source, [part]) for source in sources}
        made.append(
            parts.of(table, generated.conform(making.by_strips(table, given), table), [part])
        )
    rows = pl.concat(made).sort(table.key).with_columns(making.settled(pl.col(pl.Float64)))
    return rows, len(made)


@pytest.mark.parametrize("name", PARTED)
def test_each_part_alone_is_as_among_all(con, name):
    rows, parts = alone(con, name, METHODS[name].part)
    assert parts >= 4
    assert rows.is_empty() == (name in NONE)
    assert rows.equals(warehouse.read(con, TABLES[name]))


@pytest.mark.parametrize(
    ("name", "wrong"),
    [
        ("soil_limit", Word.of("probe year")),
        ("soil_month", Word.of("probe year", 0)),
        ("drawdown_day", Word.of("field year", 1)),
    ],
)
def test_a_wrong_word_is_found(con, name, wrong):
    rows, _ = alone(con, name, wrong)
    assert not rows.equals(warehouse.read(con, TABLES[name]))
