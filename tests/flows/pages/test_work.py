"""Working depth and soil state on the pages: sentences with units, and none about what is not known."""

from __future__ import annotations

from datetime import date

import pytest

from flows.pages.sections import work
from tests.flows.pages.page_text import PageReader, report, spoken

WORK = {
    "field": "Home",
    "strip": "treated",
    "day": date(2023, 9, 20),
    "practice": "deep tillage",
    "working": 1,
    "depth_cm": 35.0,
    "layer_of": "check strip",
    "profile_day": date(2024, 5, 24),
    "compacted_top_cm": 24.0,
    "compacted_bottom_cm": 40.0,
    "cone_index_max_mpa": 2.9,
    "working_depth_cm": 42.5,
    "reach": "in the layer",
    "short_of_bottom_cm": 5.0,
    "soil_water_day": date(2023, 9, 18),
    "available_water_share": 0.38,
    "friable_from_share": 0.44,
    "friable_to_share": 0.96,
    "soil_state": "drier than friable",
    "limits_from": "a published source",
    "after_day": date(2024, 5, 24),
    "after_treated_layer": False,
    "after_check_layer": True,
    "after_check_top_cm": 24.0,
    "after_check_bottom_cm": 40.0,
    "after_check_max_mpa": 2.9,
    "caution": "Have buried lines located.",
    "coverage": 1.0,
    "partial": False,
}


def said(tables, **change) -> str:
    given = tables.with_rows("operation_depth", WORK | change)
    return spoken(given, work.lines(given, "Home")).replace("\N{NO-BREAK SPACE}", " ")


def test_each_working_is_said_against_the_layer_with_one_soil_state(tables) -> None:
    text = said(tables)
    assert "went to 35 cm. The compacted layer lies from 24 cm to 40 cm (check strip" in text
    assert "Depth to set to pass below it: 42 cm." in text
    assert "The work stopped in it, 5 cm above its bottom." in text
    assert "on 2023-09-18: 38% of its available water; drier than friable" in text
    assert "treated strip no compacted layer; check strip compacted from 24 cm to 40 cm" in text
    assert "  " not in text
    assert ".After" not in text


def test_the_cautions_are_the_tables_own_each_once(tables) -> None:
    outlook = {"field": "Home", "fall": 2024, "site_years": 1, "window_days": 0, "partial": False}
    given = tables.with_rows("operation_depth", WORK).with_rows(
        "field_outlook", outlook | {"caution": WORK["caution"]}
    )
    assert spoken(given, work.cautions(given)) == "Have buried lines located."
    given = given.with_rows("field_outlook", outlook | {"caution": "Another one."})
    assert spoken(given, work.cautions(given)).count(".") == 2
    assert work.cautions(tables.without("operation_depth", "field_outlook")) == []


@pytest.mark.parametrize(
    ("change", "has", "has_not"),
    [
        (
            {"reach": "below the layer", "short_of_bottom_cm": None, "past_bottom_cm": 2.0},
            "passed 2 cm below",
            "stopped",
        ),
        ({"compacted_bottom_cm": None, "reach": None}, "begins at 24 cm", "Depth to set"),
        (
            {"compacted_top_cm": None, "compacted_bottom_cm": None},
            "went to",
            "compacted layer lies",
        ),
        ({"available_water_share": None}, "went to", "available water"),
        ({"soil_state": None}, "of its available water.", "friable"),
        ({"after_day": None}, "went to", "After it"),
    ],
)
def test_what_is_not_known_is_not_said(tables, change, has, has_not) -> None:
    text = said(tables, **change)
    assert has in text
    assert has_not not in text
    assert "not known" not in text


def test_it_stands_in_the_report(tables) -> None:
    _, html = report(tables.with_rows("operation_depth", WORK))
    assert "Depth to set to pass below it" in PageReader(html).words
