"""The report tells each season's story from the tables, for one season and for all years."""

from __future__ import annotations

from datetime import date

import pytest

from flows.base.errors import UserError
from flows.pages import render
from flows.pages.cells import Grid, Page, Picture, written
from flows.pages.report import write
from tests.flows.pages import farm
from tests.flows.pages.page_text import MADE_ON, PageReader, numbers, report

PARTS = """
In short
Home 2024: spring wheat
Seeded on 2024-05-01, harvested on 2024-08-30
Rain from seeding to
Farthest from normal in
Heat from seeding to
Water by depth; no root front
Yield of the strips on Home
The passes compared
95% interval
The deep tillage over the years
How often:
"""


@pytest.fixture(scope="module")
def season_2024(tables) -> tuple[Page, str]:
    return report(tables)


def test_a_season_has_its_parts_in_order(season_2024):
    found, html = season_2024
    words, parts = PageReader(html).words, PARTS.strip().splitlines()
    places = [words.rfind(part) if i > 8 else words.find(part) for i, part in enumerate(parts)]
    assert all(place >= 0 for place in places), dict(zip(parts, places, strict=True))
    assert places[:9] == sorted(places[:9])
    assert "located before any ground is worked" in words
    assert "not advice" in words
    names = {b.name for b in found.blocks() if isinstance(b, Picture)}
    assert {"rain-months", "water-season", "money", "responses"} <= names


def test_the_winter_before_a_season_is_said(tables):
    row = {
        "field": "Home",
        "season": 2024,
        "crop": "spring wheat",
        "partial": False,
        "coverage": 1.0,
    }
    ends = {"from_day": date(2023, 9, 1), "to_day": date(2024, 4, 30)}
    given = tables.with_rows(
        "recharge_winter",
        row | ends | {"strip": "treated", "recharge_mm": 61.0, "recharge_share": 0.42},
        row | ends | {"strip": "check", "recharge_mm": 48.5},
    )
    _, html = report(given)
    words = PageReader(html).words.replace("\N{NO-BREAK SPACE}", " ")
    said = "From 2023-09-01 to 2024-04-30 the profile of the treated strip gained 61.0 mm, 42% of"
    assert said in words
    assert "the profile of the check strip gained 48.5 mm." in words


def test_every_number_is_a_cell_of_a_table(season_2024, tables):
    found, _ = season_2024
    show = tables.show()
    text = render.text(found, show)
    allowed = {n for one in found.cells() for n in numbers(show.cell(one))}
    allowed |= set(numbers(written(MADE_ON)))
    assert set(numbers(text)) <= allowed
    for one in found.cells():
        rows = tables(one.table)
        for name, value in one.key:
            rows = rows.filter(rows[name].eq_missing(value))
        assert rows[one.column].to_list() == [one.value], (one.table, one.column)


def test_the_page_holds_all_it_needs(season_2024):
    _, html = season_2024
    assert "http:" not in html.replace("http://www.w3.org", "")
    assert "https:" not in html
    assert "<script" not in html
    assert html.count('src="data:image/') == html.count("<img ")
    assert len(html) < 3_000_000


def test_all_years_and_a_year_that_is_not_there(tables):
    found, _ = report(tables, None)
    assert tables.show().phrase(found.title).endswith("all years")
    with pytest.raises(UserError, match=r"No field has a season 1999 .* its seasons are 2024"):
        report(tables, 1999)


@pytest.mark.parametrize(
    "parts",
    [
        ("drawdown_season", "soil_water_day", "root_front_day", "root_lead"),
        ("rain_month", "rain_day", "heat_day"),
        ("response", "response_pooled", "payback", "strip_yield"),
    ],
)
def test_a_part_without_data_is_left_out(tables, parts):
    found, html = report(tables.without(*parts))
    words = PageReader(html).words
    assert "Home 2024: spring wheat" in words
    assert "None" not in words
    assert not [b for b in found.blocks() if isinstance(b, Grid) and not b.rows]


def test_a_farm_without_anything_and_a_hostile_name(tables):
    _, html = report(farm.MemoryTables({}), None)
    assert "No strip was weighed yet." in html
    _, html = report(tables.with_field_named(farm.HOSTILE_NAME))
    assert "<script" not in html
    assert "&lt;script&gt;" in html


def test_it_is_saved_where_it_is_said(published, tmp_path):
    mine = farm.FarmFolder(tmp_path)
    mine.make()
    mine.published_file.hardlink_to(published.published_file)
    path = write.write(mine, 2024)
    assert path == mine.reports / "season-2024.html"
    assert path.read_text(encoding="utf-8").lstrip().startswith("<!DOCTYPE html>")
