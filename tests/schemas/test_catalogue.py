"""Every declared column is described, its unit parses and stands in its name; every table has its rooms."""

import inspect
from pathlib import Path

import pandera.polars as pa
import pytest

from flows.base import units
from flows.derive import making
from flows.farm import farm_file, farm_tables
from schemas import generated
from schemas.catalogue import ROOMS, TABLES
from schemas.compared import sees_comparisons
from schemas.table import SUFFIX, Column, Kind, Share, Tier
from transforms import order

ROOT = Path(__file__).parents[2]
COLUMNS = [(table, column) for table in TABLES.values() for column in table.columns]
MADE = [*order.DAILY, *order.DERIVED]


@pytest.mark.parametrize("table", TABLES.values(), ids=lambda t: t.name)
def test_a_table_is_said_and_has_a_key(table):
    assert len(table.row) > 5
    assert table.key or table.name == "about"
    assert len(set(table.names)) == len(table.names)
    assert isinstance(generated.check(table), pa.DataFrameSchema)
    generated.check(table).validate(generated.empty(table))


@pytest.mark.parametrize(("table", "column"), COLUMNS, ids=lambda x: x.name)
def test_a_column_is_described_and_its_unit_stands_in_its_name(table, column):
    assert len(column.meaning) >= 4, "say what it means"
    assert column.meaning != column.name
    if column.kind in (Kind.NUMBER, Kind.COUNT):
        assert column.unit, "a number has a unit, 1 where it is pure"
    if column.unit:
        units.line(column.unit, column.unit)  # raises where pint does not know it
        assert column.unit in SUFFIX
        assert column.name.endswith(SUFFIX[column.unit])
    if column.low is not None and column.high is not None:
        assert column.low < column.high


# Where a share may pass the whole: water may stand outside of its two limits, blocks may
# point in two ways, a sensor may see more of a rain than its gauge; differences have a sign.
BEYOND_THE_WHOLE = {
    *("capture_1d", "capture_2d", "capture_check", "capture_gain", "capture_treated", "clearness"),
    *("difference", "difference_high", "difference_low", "most_influential_share", "own_share"),
    *(
        "operation_water_share",
        "available_water_share",
        "available_water_share_at_push",
        "change_week",
        "seeding_water_share",
    ),
    *("available_water_share", "demand_met_share", "recharge_share", "uptake_share", "seen_share"),
}
# Fractions of one that readers do not see in percent.
NO_SHARES = {"p", "p_adjusted", "q_p", "verdict_p", "chance_to_show"}


def test_every_share_is_declared_with_its_limits():
    pure = [c for _, c in COLUMNS if c.kind is Kind.NUMBER and c.unit == "1"]
    shares = {c for _, c in COLUMNS if c.share}
    assert shares <= set(pure)
    within = {c for c in pure if (c.low, c.high) == (0, 1)}
    assert {c.name for c in shares - within} == BEYOND_THE_WHOLE
    assert {c.name for c in within - shares} == NO_SHARES
    for column in shares:
        assert (column.share is Share.COVERAGE) == column.name.endswith("coverage")
        assert (column.share is Share.CHANCE) == column.name.endswith("chance")
        assert column in within or column.share is Share.PART


def test_what_three_tables_declare_alike_is_one_shared_column():
    uses: dict[Column, set[int]] = {}
    for _, column in COLUMNS:
        uses.setdefault(column, set()).add(id(column))
    # A coverage is declared by its words alone.
    assert not [c for c, ids in uses.items() if len(ids) > 2 and c.share is not Share.COVERAGE]


def test_a_key_column_is_required():
    assert all(column.required for _, column in COLUMNS if column.key)


def test_the_order_and_the_declarations_name_the_same_tables():
    assert set(order.DAILY) == {t.name for t in TABLES.values() if t.tier is Tier.DAILY}
    assert set(order.DERIVED) == {t.name for t in TABLES.values() if t.tier is Tier.DERIVED}
    assert len(set(MADE)) == len(MADE)


@pytest.mark.parametrize("name", MADE)
def test_a_made_table_has_its_module_and_its_test(name):
    function = making.function(name)
    parameters = list(inspect.signature(function).parameters)
    assert parameters, "it is made from something"
    assert set(parameters) <= set(TABLES)
    earlier = set(MADE[: MADE.index(name)])
    made_from = set(parameters) & set(MADE)
    assert made_from <= earlier, "it stands in the order after what it is made from"
    assert function.__doc__ or making.module(name).__doc__
    assert (ROOT / "tests" / "transforms" / ROOMS[name] / f"test_{name}.py").is_file()


@pytest.mark.parametrize("name", order.DERIVED)
def test_a_derived_table_is_empty_where_there_is_nothing(name):
    given = {table.name: generated.empty(table) for table in making.sources(name)}
    given["comparison"] = generated.empty(TABLES["comparison"])
    if "farm" in given:
        given["farm"] = one_farm()
    found = generated.conform(making.by_strips(TABLES[name], given), TABLES[name])
    generated.check(TABLES[name]).validate(found)


def one_farm():
    return farm_tables.tables(
        farm_file.parse(
            {
                "farm": {"name": "Invented"},
                "place": {
                    "latitude": 50,
                    "longitude": -100,
                    "elevation_m": 300,
                    "time_zone": "America/Winnipeg",
                },
            },
            "a test",
        )
    )["farm"]


@pytest.mark.parametrize("name", order.DERIVED)
def test_a_table_by_field_that_goes_by_compared_strips_compares_them_too(name):
    """Else a field with three strips would stand under the names of its comparisons."""
    table = TABLES[name]
    if table.compared is None and sees_comparisons(table, making.sources(name)):
        assert "field" not in table.names


PARTIAL_FREE = {"normal_month", "normal_day", "comparison", "pass_doubt", "sensor_run"} | {
    "soil_step",
    "soil_offset",
    "evaporation_bare",
    "evaporation_seen",
    "soil_wetting",
}


@pytest.mark.parametrize("name", [n for n in order.DERIVED if n not in PARTIAL_FREE])
def test_a_derived_row_says_whether_it_is_partial_and_why(name):
    assert {"partial", "reason"} <= set(TABLES[name].names)
