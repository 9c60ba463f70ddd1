"""Irrigation beside rain on pages: by strip, in the reader's units, and only where there is any."""

from __future__ import annotations

from datetime import date
from typing import Any

from flows.pages.reader_units import Show
from flows.pages.sections import harvest, irrigation, to_do
from flows.pages.week import Week
from tests.flows.pages import farm
from tests.flows.pages.page_text import digest, flat, report

WEEK = Week.named("2024-W26")  # 24 to 30 June


def applied(tables: farm.MemoryTables, *rows: dict[str, Any]) -> farm.MemoryTables:
    given = {
        "field": "Home",
        "season": 2024,
        "irrigation_from": "field book",
        "in_later_total": False,
        "week_to_date_unknown_d": 0,
        "season_to_date_unknown_d": 0,
        "coverage": 1.0,
        "partial": False,
    }
    return tables.with_rows("irrigation_day", *(given | row for row in rows))


def day(strip: str, of_june: int, week: float, season: float, **more: Any) -> dict[str, Any]:
    sums = {"week_to_date_mm": week, "season_to_date_mm": season}
    return {"strip": strip, "day": date(2024, 6, of_june), **sums, **more}


def said(lines: list[Any], show: Show) -> str:
    return flat(" ".join(show.phrase(line.phrase) for line in lines))


def test_both_strips_are_one_sentence_in_the_readers_units(tables):
    given = applied(
        tables,
        *(day(s, 25, 25.4, 50.8) for s in ("treated", "check")),
        *(day(s, 28, 50.8, 76.2) for s in ("treated", "check")),
    )
    lines = irrigation.of_week(given, WEEK, "Home")
    assert said(lines, Show("metric")) == (
        "Irrigation on Home: 50.8 mm on both strips (76.2 mm since seeding)."
    )
    assert "2.00 in on both strips (3.00 in since seeding)" in said(lines, Show("us"))


def test_strips_apart_and_days_that_nobody_knows_of(tables):
    given = applied(
        tables,
        day("treated", 25, 30.0, 30.0),
        day("check", 26, 10.0, 10.0, week_to_date_unknown_d=2, coverage=0.0, partial=True),
    )
    words = said(irrigation.of_week(given, WEEK, "Home"), Show("metric"))
    assert "30.0 mm on the treated strip (30.0 mm since seeding)" in words
    assert "10.0 mm on the check strip" in words
    assert "not known: 2" in words


def test_digest_and_report_tell_it_where_there_is_any_and_else_say_nothing(tables):
    given = applied(tables, *(day(s, 25, 25.0, 50.0) for s in ("treated", "check")))
    _, text, _ = digest(given, farm.WEEK_IN_SEASON)
    assert "Irrigation on Home: 25 mm on both strips" in flat(text)
    _, html = report(given)
    assert "Irrigation from seeding to" in html
    _, text, _ = digest(tables, farm.WEEK_IN_SEASON)
    assert "rrigat" not in text
    _, html = report(tables)
    assert "rrigat" not in html


def test_a_balance_with_irrigation_says_what_came(tables):
    row = {
        "field": "Home",
        "season": 2024,
        "crop": "spring wheat",
        "strip": "treated",
        "rain_mm": 120.0,
        "water_use_mm": 300.0,
        "water_use_efficiency_kg_ha_mm": 11.0,
    }
    irrigated = tables.with_rows("water_use_season", row | {"irrigation_mm": 80.0})
    words = said(harvest.water_use(irrigated, "Home", 2024), Show("metric"))
    assert "120.0 mm of rain and 80.0 mm of irrigation came" in words
    dry = tables.with_rows("water_use_season", row | {"irrigation_mm": 0.0})
    assert "irrigation" not in said(harvest.water_use(dry, "Home", 2024), Show("metric"))


def test_a_meter_that_gave_volumes_is_not_called_silent(tables):
    """A station that measures nothing but water, heard on the week's last day or never."""
    spell = {"station": "pump", "from_day": date(2024, 5, 1), "field": "Home", "strip": "treated"}
    row = {"station": "pump", "day": WEEK.sunday, "readings": 24, "partial": False}
    given = tables.with_rows("station_spell", spell).with_rows("weather_day", row)
    meter = {"station": "pump", "day": WEEK.sunday, "partial": False}

    def tasks(volume: float | None) -> str:
        known = given.with_rows("water_meter_day", meter | {"volume_m3": volume})
        return said([cause.line for cause in to_do.causes(known, WEEK)], Show("metric"))

    assert "pump" not in tasks(0.0)
    assert "pump" in tasks(None)
