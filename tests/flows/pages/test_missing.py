"""A season's missing results are named with their reason, none that is there."""

from __future__ import annotations

import polars as pl
import pytest

from flows.pages.sections import missing, soil, weather
from flows.pages.week import Week
from schemas.catalogue import TABLES
from schemas.results import RESULTS
from tests.flows.pages import farm
from tests.flows.pages.page_text import report, spoken


def told(tables: farm.MemoryTables) -> str:
    return spoken(tables, missing.lines(tables, "Home", 2024))


def without_results(tables: farm.MemoryTables, reason: str) -> farm.MemoryTables:
    """The tables with every result null, and why."""
    for result in RESULTS:
        values = [pl.lit(None).alias(result.column), pl.lit(reason).alias("reason")]
        tables = tables.changed(lambda f, v=values: f.with_columns(v), result.table)
    return tables


def test_every_kind_of_result_has_a_reason_beside_it():
    for result in RESULTS:
        assert {result.column, "reason", "field", "season"} <= set(TABLES[result.table].names)


@pytest.mark.parametrize("result", RESULTS, ids=lambda r: r.name)
def test_one_that_has_a_value_is_not_called_missing(tables, result):
    known = tables.with_rows(
        result.table,
        {column.name: _some(column) for column in TABLES[result.table].columns if column.required}
        | {
            "field": "Home",
            "season": 2024,
            result.column: _some(TABLES[result.table][result.column]),
        },
    )
    assert result.name not in told(known)
    gone = known.changed(
        lambda f: f.with_columns(
            pl.lit(None).alias(result.column), reason=pl.lit("snow all along")
        ),
        result.table,
    )
    assert result.name in told(gone)
    assert "snow all along" in told(gone)
    assert result.name in told(known.without(result.table))


def _some(column):
    if column.one_of:
        return column.one_of[0]
    day = farm.monday("2024-W26")
    return {"VARCHAR": "a", "DOUBLE": 1.0, "BIGINT": 1, "BOOLEAN": True, "DATE": day}.get(
        column.kind.value, farm.datetime_in("2024-W26")
    )


def test_those_with_one_reason_are_one_sentence(tables):
    lines = missing.lines(without_results(tables, reason="the probes were out"), "Home", 2024)
    found = spoken(tables, lines)
    assert found.count("the probes were out") == 1
    assert "crop water demand" in found
    assert "water use efficiency" in found


def test_the_report_says_it(tables):
    _, html = report(without_results(tables, reason="the probes were out"))
    assert "the probes were out" in html


def test_a_week_without_crop_water_demand_says_why(tables):
    week = Week.named(farm.WEEK_IN_SEASON)
    why = pl.lit("snow on the ground").alias("crop_et_reason")
    lost = tables.changed(
        lambda f: f.with_columns(why, pl.lit(None).cast(pl.Float64).alias("crop_et_mm")),
        "weather_week",
    )
    seasons = lost("season").to_dicts()
    (found,) = weather.crop_grid(lost, week, seasons)
    assert "Crop water demand on Home: snow on the ground." in spoken(lost, list(found.notes))


def test_a_week_without_soil_water_says_why(tables):
    week = Week.named(farm.WEEK_IN_SEASON)
    (field,) = tables.fields()
    frozen = tables.changed(
        lambda f: f.with_columns(reason=pl.lit("the soil is frozen")), "soil_water_day"
    )
    assert "is not known this week: the soil is frozen." in spoken(
        frozen, soil.not_known(frozen, week, field)
    )
    silent = tables.without("soil_water_day")
    assert "no probe reported" in spoken(silent, soil.not_known(silent, week, field))
    none = silent.without("probe_spell")
    assert soil.not_known(none, week, field) == []
