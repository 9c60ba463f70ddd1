"""The page to hand to a landlord or a bank: what was tested, found, earned, how sure, how measured."""

from __future__ import annotations

import polars as pl
import pytest

from flows.base.errors import UserError
from flows.pages import render
from flows.pages.cells import Grid, written
from flows.pages.report import brief, write
from tests.flows.pages import farm
from tests.flows.pages.at_odds import ENDS_OF_GRIDS, contradictions, grid_contradictions
from tests.flows.pages.page_text import MADE_ON, PageReader, numbers, one_page

PARTS = """
What was tested
Tested: deep tillage on Home.
What was found
After the deep tillage the treated strip yielded more in
What it cost and earned
Net since the work
How sure
If a range holds zero, the figure may be chance.
Who measured, and how
Yields: scale wagon
Soil water: probes in the strips of Home, with sensors at
Evidence from one farm, not advice.
"""


@pytest.fixture(scope="module")
def page(tables):
    return one_page(tables)


def test_it_has_its_parts_in_order(page):
    words = PageReader(page[1]).words
    places = [words.find(part) for part in PARTS.strip().splitlines()]
    assert -1 not in places, words
    assert places == sorted(places)
    assert "<nav" not in page[1]
    assert "<script" not in page[1]


def test_every_number_is_a_cell_of_a_table(page, tables):
    found, _ = page
    show = tables.show()
    allowed = {n for one in found.cells() for n in numbers(show.cell(one))}
    allowed |= set(numbers(written(MADE_ON)))
    assert set(numbers(render.text(found, show))) <= allowed
    for one in found.cells():
        rows = tables(one.table)
        for name, value in one.key:
            rows = rows.filter(rows[name].eq_missing(value))
        assert rows[one.column].to_list() == [one.value], (one.table, one.column)


def _said(tables) -> tuple[list[str], list[Grid]]:
    found, _ = one_page(tables)
    lines = [block for block in found.blocks() if not isinstance(block, Grid)]
    said = [render.line_text(one, tables.show()) for one in lines if hasattr(one, "phrase")]
    return said, [block for block in found.blocks() if isinstance(block, Grid)]


@pytest.mark.parametrize(
    ("table", "verdict", "low", "high"),
    [
        ("payback", "paid", -10.0, 90.0),
        ("payback", "probably paid", 10.0, 90.0),
        ("response_pooled", "not shown", 1.0, 9.0),
        ("response_pooled", "gain", 1.0, 9.0),
    ],
)
def test_no_interval_stands_beside_a_verdict_at_odds_without_a_reason(
    tables, table, verdict, low, high
):
    _, low_name, high_name = ENDS_OF_GRIDS[table]
    values = {"verdict": verdict, low_name: low, high_name: high}
    rows = tables(table).with_columns(
        pl.lit(v).cast(tables(table).schema[k]).alias(k) for k, v in values.items()
    )
    if table == "response_pooled":
        every = rows.filter(pl.col("grouping") == "all").with_columns(response_pct=pl.lit(5.0))
        own = every.with_columns(grouping=pl.lit("field"), member=pl.lit("Home"))
        rows = pl.concat([every, own])
    given = farm.MemoryTables({**tables._frames, table: rows})
    said, grids = _said(given)
    assert grids
    assert contradictions(said) == []
    assert [found for grid in grids for found in grid_contradictions(grid, said)] == []
    if verdict != "gain":
        assert any(grid_contradictions(grid, []) for grid in grids)


def test_more_fields_than_fit_are_left_to_the_report(tables):
    many = tables.with_many(fields=brief.MOST_FIELDS + 2, seasons=2)
    found, html = one_page(many)
    (table,) = [block for block in found.blocks() if isinstance(block, Grid)]
    assert len(table.rows) == brief.MOST_FIELDS
    assert "The other fields are in the season report." in html
    assert "The other fields" not in one_page(tables)[1]


def test_nothing_weighed_and_a_year_that_is_not_there(tables):
    _, html = one_page(farm.MemoryTables({}))
    assert "No strip was weighed yet." in html
    with pytest.raises(UserError, match="No field has a season 1999"):
        one_page(tables, 1999)


def test_a_hostile_name_is_text(tables):
    _, html = one_page(tables.with_field_named(farm.HOSTILE_NAME))
    assert "<script" not in html
    assert "&lt;script&gt;" in html


def test_it_is_saved_where_it_is_said(published, tmp_path):
    mine = farm.FarmFolder(tmp_path)
    mine.make()
    mine.published_file.hardlink_to(published.published_file)
    assert write.write_brief(mine) == mine.reports / "brief.html"
    assert write.write_brief(mine, 2024) == mine.reports / "brief-2024.html"
    assert "What was tested" in (mine.reports / "brief.html").read_text(encoding="utf-8")
