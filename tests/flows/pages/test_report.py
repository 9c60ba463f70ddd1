"""The report tells each season's story from the tables, for one season and for all years."""

from __future__ import annotations

import re
from datetime import date

import polars as pl
import pytest

from flows.base.errors import UserError
from flows.pages import render
from flows.pages.cells import Cell, Grid, Page, Picture, written
from flows.pages.report import write
from tests.flows.pages import farm
from tests.flows.pages.page_text import MADE_ON, PageReader, numbers, report

PARTS = """
Did it pay, and what next?
Net in all
located and marked before any ground is worked
Home 2024: spring wheat
Seeded on 2024-05-01, harvested on 2024-08-30
Season by season
Rain since seeding
Heat from seeding to
The deep tillage over the years
How often:
Appendix: passes
Yield of the strips at market moisture
Appendix: how far this can be trusted
"""


@pytest.fixture(scope="module")
def season_2024(tables) -> tuple[Page, str]:
    return report(tables)


def test_a_season_has_its_parts_in_order(season_2024):
    found, html = season_2024
    words, parts = PageReader(html).words, PARTS.strip().splitlines()
    places = [words.rfind(part) for part in parts]  # the list of contents comes before all of them
    assert all(place >= 0 for place in places), dict(zip(parts, places, strict=True))
    assert places == sorted(places)
    names = {b.name for b in found.blocks() if isinstance(b, Picture)}
    assert {"rain-months", "water-season", "money", "responses"} <= names


def test_page_one_has_a_row_a_field_with_the_verdict_and_the_money(season_2024, tables):
    found, _ = season_2024
    (table,) = [block for block in found.sections[0].blocks if isinstance(block, Grid)]
    (row,) = table.rows
    shown = {(one.table, one.column) for phrase in row for one in phrase if isinstance(one, Cell)}
    for name in ("verdict", "paid_chance", "cumulative_net_per_ha", "cumulative_low_per_ha"):
        assert ("payback", name) in shown
    assert {("response", "response_low_kg_ha"), ("response", "verdict")} <= shown
    assert ("response_pooled", "verdict") in shown
    assert ("field_outlook", "fall") in shown


def test_the_sum_in_all_stands_with_its_area_or_why_it_is_not_known(tables):
    given = tables.changed(
        lambda f: f.with_columns(
            worked_ha=pl.lit(5.0),
            cumulative_net=pl.lit(-400.0),
            cumulative_low=pl.lit(-650.0),
            cumulative_high=pl.lit(-150.0),
        ),
        "payback",
    )
    words = PageReader(report(given)[1]).words.replace("\N{NO-BREAK SPACE}", " ")
    assert words.count("-400 CAD (-650 to -150) on 12 ac") == 2  # on page one and on the field's
    words = PageReader(report(tables)[1]).words
    assert "Home: The field book does not give the area worked" in words


def test_each_caution_is_said_once_and_before_the_fields(season_2024, tables):
    _, html = season_2024
    for given in (html, report(tables.without("field_outlook", "operation_depth"))[1]):
        words = PageReader(given).words
        assert words.count("located and marked before any ground is worked") == 1
        assert words.count("Local rules and licensed people decide") == 1
        assert words.index("located and marked") < words.rindex("Home 2024: spring wheat")
        assert "not advice" in words


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
    assert re.search("Winter recharge 61.0 mm .42 ?% of the rain and snow. 48.5 mm", words)


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


def test_a_crop_that_still_grows_does_not_hide_what_was_weighed(tables):
    growing = tables("season").with_columns(
        season=pl.lit(2025).cast(pl.Int64),
        seeded=pl.lit(date(2025, 5, 1)),
        harvested=pl.lit(None, pl.Date),
    )
    given = tables.changed(lambda f: pl.concat([f, growing]), "season")
    found, html = report(given, None)
    (table,) = [block for block in found.sections[0].blocks if isinstance(block, Grid)]
    assert len(table.rows) == 1
    assert "2025" not in PageReader(html).words
    unweighed = report(given.without("response", "payback"), None)[1]
    assert "Home 2025: spring wheat" in PageReader(unweighed).words
    assert "the crop still stands" in PageReader(report(given, 2025)[1]).words


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


def test_present_value_break_even_and_what_if_stand_in_the_appendix(tables):
    """By hand from the farm's own row: the same numbers, in its units."""
    (row,) = tables("payback").to_dicts()
    words = PageReader(report(tables)[1]).words.replace("\N{NO-BREAK SPACE}", " ")
    npv = row["npv_per_ha"] * 0.40468564224
    assert f"at 5% a year: {npv:+.0f} CAD/ac" in words
    response = row["breakeven_response_kg_ha"] / 67.2511
    assert f"with a response of {response:+.1f} bu/ac in every season" in words
    per_bushel = row["breakeven_price_per_kg"] * 27.2155
    assert f"or at a price of {per_bushel:.2f} CAD/bu" in words
    what_if = tables("payback_sensitivity", input="price", change_pct=-20.0).to_dicts()[0]
    net = what_if["cumulative_net_per_ha"] * 0.40468564224
    assert words.count(f"{net:+.0f} CAD/ac") >= 1
    assert "-20% -10% +10% +20%" in words


def test_the_ground_of_the_strips_as_the_maps_have_it(tables):
    values = {"treated": (301.25, 1.5, 1.0), "check": (300.0, None, 0.5)}
    rows = [
        {
            "field": "Home",
            "season": 2024,
            "strip": strip,
            "ground_map": "elevation (m)",
            "mean": mean,
            "spread": spread,
            "points": 10,
            "coverage": share,
            "partial": share < 1,
            "reason": "the map does not cover the whole strip" if share < 1 else None,
        }
        for strip, (mean, spread, share) in values.items()
    ]
    words = PageReader(report(tables.with_rows("strip_ground", *rows))[1]).words
    assert "Appendix: the ground under the strips" in words
    said = " ".join(words.split())
    assert "elevation (m) treated 301.25 1.50" in said
    assert "elevation (m) check 300.00" in said
    assert "the map does not cover the whole strip" in words
    assert "the response is not corrected by it" in words
    assert "the ground under the strips" not in PageReader(report(tables)[1]).words


def test_the_appendix_says_whether_the_response_differs_by_ground(tables):
    kinds = {"high": (245.0, 251.0, 310.0), "low": (240.0, 243.0, 20.0)}
    rows = [
        {
            "field": "Home",
            "season": 2024,
            "ground_map": "elevation (m)",
            "kind": kind,
            "crop": "spring wheat",
            "ground_low": low,
            "ground_high": high,
            "response_kg_ha": response,
            "response_low_kg_ha": response - 90,
            "response_high_kg_ha": response + 90,
            "verdict": "differs",
            "coverage": 1.0,
            "partial": False,
        }
        for kind, (low, high, response) in kinds.items()
    ]
    said = " ".join(
        PageReader(report(tables.with_rows("response_by_ground", *rows))[1]).words.split()
    )
    assert "Appendix: the response by kind of ground" in said
    assert "elevation (m) high 245.00 to 251.00 +4.6 bu/ac" in said  # 310 kg/ha of 60 lb a bushel
    assert said.count("the response is not the same on all ground") == 2
    assert said.index("elevation (m) low") < said.index("elevation (m) high")
