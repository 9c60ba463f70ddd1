"""The letter of a week is one look: its limits, its one line, its things to do, one for each cause."""

from __future__ import annotations

import re
from datetime import date, timedelta
from typing import Any

import numpy as np
import pytest

from flows.pages.cells import Line, Picture
from flows.pages.digest import make
from flows.pages.mail import message
from flows.pages.reader_units import NBSP
from flows.pages.sections import causes, glance, instruments, roots, soil, to_do
from flows.pages.week import Week
from tests.flows.pages import farm
from tests.flows.pages.mailed import mailed, many, pictures
from tests.flows.pages.page_text import SAVED, PageReader, letter, numbers, told

WEEKS = (farm.WEEK_IN_SEASON, farm.WEEK_OF_HARVEST, "2024-W15")
WEEK = Week.named(farm.WEEK_IN_SEASON)
# A phone's mail program and a slow line in a field: limits of the project's own.
LINES, HTML_BYTES, PICTURE_BYTES = 40, 60_000, 200_000


def silent(tables: farm.MemoryTables, number: int, apart: int = 0) -> farm.MemoryTables:
    """So many stations that sent nothing for weeks, the last day of each ``apart`` days later."""
    names = [f"station {i:02}" for i in range(number)]
    spells = [
        {"station": name, "from_day": date(2024, 4, 1), "field": "Home", "strip": "check"}
        for name in names
    ]
    days = [
        {"station": name, "day": date(2024, 6, 1) + timedelta(days=apart * i), "rain_mm": 1.0}
        | {"readings": 24, "partial": False}
        for i, name in enumerate(names)
    ]
    given = tables.without("station_health")
    return given.with_rows("station_spell", *spells).with_rows("weather_day", *days)


# ---- limits ----------------------------------------------------------------------------------


@pytest.mark.parametrize("number", [1, 4, 16])
@pytest.mark.parametrize("week", WEEKS)
def test_a_letter_is_short_small_and_says_where_the_rest_is(tables, week, number):
    given = silent(many(tables, number), 16, apart=3)
    found = mailed(given, week)
    text, html = found.get_body(("plain",)), found.get_body(("html",))
    assert text is not None
    assert html is not None
    assert len(text.get_content().splitlines()) <= LINES
    assert len(html.as_bytes()) < HTML_BYTES
    images = pictures(found)
    assert len(images) <= 2
    assert sum(len(one.as_bytes()) for one in images) < PICTURE_BYTES
    for words in (text.get_content(), PageReader(html.get_content()).words):
        assert SAVED in words
    assert numbers(text.get_content()) == numbers(PageReader(html.get_content()).words)


def test_names_without_end_do_not_break_the_limits(tables):
    for name in (farm.HOSTILE_NAME, "The field behind the old elevator " * 6):
        text = mailed(tables.with_field_named(name), farm.WEEK_IN_SEASON).get_body(("plain",))
        assert text is not None
        assert len(text.get_content().splitlines()) <= LINES


def test_pictures_that_would_be_too_much_are_said_in_words(tables, monkeypatch):
    monkeypatch.setattr(message, "PICTURES_LIMIT", 1_000)
    found = mailed(tables, farm.WEEK_IN_SEASON)
    html = found.get_body(("html",))
    assert html is not None
    assert not pictures(found)
    assert "beside its normal; shaded: short of normal" in html.get_content()


def test_one_look_comes_first_and_the_page_has_all_of_it(tables):
    short, text, _ = letter(tables, farm.WEEK_IN_SEASON)
    show = tables.show(brief=True)
    page = make.digest(tables, WEEK, show, date(2024, 9, 9))
    titles = [show.phrase(section.title) for section in short.sections]
    assert titles == ["Each field this week", "To do this week", ""]
    assert [show.phrase(s.title) for s in page.sections][:3] == titles
    assert len(page.sections) > 3
    assert show.phrase(page.under) in " ".join(text.splitlines()[3:5])
    assert len([block for block in short.blocks() if isinstance(block, Picture)]) == 1


def test_days_are_written_as_people_do_and_water_has_no_decimals(tables):
    for week in WEEKS:
        for _, text, html in (letter(tables, week),):
            for words in (text, PageReader(html).words):
                assert not re.search(r"\d{4}-\d\d|W\d\d", words)
                assert not re.search(rf"\d\.\d{NBSP}mm", words)
                assert f"{NBSP}%" not in words
    assert "24 to 30 June 2024" in letter(tables, farm.WEEK_IN_SEASON)[1]


@pytest.mark.parametrize(
    ("week", "said"),
    [
        ("2025-W28", "7 to 13 July 2025"),
        ("2025-W27", "30 June to 6 July 2025"),
        ("2025-W01", "30 December 2024 to 5 January 2025"),
    ],
)
def test_a_week_is_said_by_its_days(week, said):
    assert Week.named(week).frame.text == said


# ---- the one line ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("rain", "normal", "said"),
    [
        ((6.8, 9.0), (15.4, 15.4), "Dry week: 7 to 9 mm against 15 mm normal."),
        ((9.0, 9.2), (15.4, 14.6), "Dry week: 9 mm against 15 mm normal."),
        ((30.0, 41.0), (15.0, 15.0), "Wet week: 30 to 41 mm against 15 mm normal."),
        ((6.0, 10.0), (5.0, 5.0), "Wet week: 6 to 10 mm against 5 mm normal."),
        ((14.0, 16.0), (15.0, 14.0), "Rain near normal: 14 to 16 mm against 14 to 15 mm normal."),
        ((2.0, 40.0), (15.0, 15.0), "Uneven rain: 2 to 40 mm against 15 mm normal."),
        ((0.0, 0.0), (15.0, 15.0), "Week without rain: 0 mm against 15 mm normal."),
        ((3.0, 4.0), (None, None), "Rain this week: 3 to 4 mm."),
    ],
)
def test_the_line_says_the_weeks_rain(tables, rain, normal, said):
    row = {"week_starts": WEEK.monday, "field": "Home", "coverage": 1.0, "partial": False}
    rows = [
        row | {"station": strip, "strip": strip, "rain_mm": mm, "normal_recorded_mm": usual}
        for strip, mm, usual in zip(("treated", "check"), rain, normal, strict=True)
    ]
    given = tables.with_rows("weather_week", *rows)
    show = given.show("metric", brief=True)
    line = show.phrase(glance.headline(given, WEEK, [], show)).replace(NBSP, " ")
    assert line == f"{said} Nothing to do."


def test_the_line_says_who_is_needed(tables):
    def needed(*found: causes.Cause) -> str:
        return tables.show().phrase(causes.verdict(list(found)))

    sensor = causes.Cause(Line(("x",)), ("x",), "sensor")
    stations = causes.Cause(Line(("x",)), ("x",), "station", 16)
    assert needed(sensor) == "One sensor needs you."
    assert needed(stations) == "16 stations need you."
    assert needed(sensor, stations) == "Two things need you."
    assert needed() == "Nothing to do."


# ---- one item for each cause -----------------------------------------------------------------


def tasks(tables: farm.MemoryTables) -> list[causes.Cause]:
    return to_do.causes(tables, WEEK)


def test_sixteen_silent_stations_are_one_thing_to_do(tables):
    given = silent(tables, 16)
    (one,) = [c for c in tasks(given) if c.noun == "station"]
    assert one.count == 16
    words = told(given, [one.line])
    assert "station 00 on Home" in words
    assert "ten others have sent nothing since 1 June 2024" in words
    assert "Check first what they share" in words


def test_stations_that_stopped_weeks_apart_are_as_many_causes(tables):
    assert len([c for c in tasks(silent(tables, 3, apart=7)) if c.noun == "station"]) == 3
    assert len([c for c in tasks(silent(tables, 3, apart=1)) if c.noun == "station"]) == 1


def health(**changes: Any) -> dict[str, Any]:
    row = (
        {"kind": "probe", "instrument": "probe T", "field": "Home", "strip": "treated"}
        | {"part": "100 cm", "depth_cm": 100.0, "finding": "impossible"}
        | {"from_day": date(2024, 6, 20), "to_day": date(2024, 6, 30), "current": True}
        | {"state": "found", "severity": "hands", "advice": "Replace it.", "coverage": 1.0}
    )
    return row | changes


def test_a_dead_sensor_is_one_thing_to_do_whatever_the_checks_find(tables):
    stuck = {"finding": "stuck", "from_day": date(2024, 6, 12), "advice": "Look at the cable."}
    given = tables.with_rows("station_health", health(), health(**stuck))
    (one,) = instruments.causes(given, WEEK.monday, WEEK.sunday)
    assert (one.noun, one.count) == ("sensor", 1)
    assert "impossible since 20 June 2024. Replace it." in told(given, [one.line])
    other = health(part="40 cm", depth_cm=40.0, from_day=date(2024, 6, 25))
    given = tables.with_rows("station_health", health(), other)
    assert len(instruments.causes(given, WEEK.monday, WEEK.sunday)) == 2


def test_clocks_that_went_wrong_together_are_one_thing_to_do(tables):
    clock = {"kind": "station", "part": "whole", "depth_cm": None, "finding": "clock"}
    rows = [health(**clock, instrument=f"station {i}") for i in range(3)]
    given = tables.with_rows("station_health", *rows)
    (one,) = instruments.causes(given, WEEK.monday, WEEK.sunday)
    assert "The stations station 0, station 1 and station 2: clock since" in told(given, [one.line])


def test_the_battery_of_a_silent_station_is_its_reason_not_another_thing_to_do(tables):
    battery = {"kind": "station", "instrument": "station 00", "part": "battery", "depth_cm": None}
    row = health(**battery, finding="battery failing", battery_min_v=10.9)
    given = silent(tables, 1).with_rows("station_health", row)
    (one,) = [c for c in tasks(given) if c.noun == "station"]
    assert "Before that: battery failing, lowest 10.9 V." in told(given, [one.line])


def test_a_cause_in_several_fields_is_named_by_what_each_field_has(tables):
    spells = [
        {"probe": f"probe {name}", "field": name, "strip": "treated", "from_day": date(2024, 4, 1)}
        | {"to_day": date(2024, 6, 20)}
        for name in ("Home", "Hill")
    ]
    season = {"season": 2024, "crop": "barley", "seeded": date(2024, 6, 21)}
    given = tables.with_rows("probe_spell", *spells).with_rows(
        "season", *({"field": name, **season} for name in ("Home", "Hill"))
    )
    (one,) = [c for c in tasks(given) if c.noun == "probe"]
    show = tables.show()
    assert {name: show.phrase(short) for name, short in one.at.items()} == {
        "Home": "reinstall probe Home",
        "Hill": "reinstall probe Hill",
    }


def test_files_rejected_for_one_reason_are_one_thing_to_do(tables):
    rows = [
        {"delivery": f"d{i}", "sha256": f"d{i}", "sequence": i, "name": f"file {i}.csv"}
        | {"received_at": farm.datetime_in(farm.WEEK_IN_SEASON), "state": "refused"}
        | {"reason": "no column is known." if i < 5 else "empty"}
        for i in range(6)
    ]
    given = tables.with_rows("delivery", *rows)
    files = [c for c in tasks(given) if c.noun == "file"]
    assert [c.count for c in files] == [5, 1]
    words = told(given, [c.line for c in files])
    assert "5 files could not be read: no column is known. The first is file 0.csv." in words
    assert "The file file 5.csv could not be read: empty." in words


# ---- each sentence against its table ---------------------------------------------------------

DEPTHS = (10.0, 20.0, 40.0, 60.0, 100.0)


def uptake_rows(seed: int) -> list[dict[str, Any]]:
    """Uptake by depth and strip; the error is not known at some depths, as at the surface."""
    rng = np.random.default_rng(seed)
    return [
        {"field": "Home", "season": 2024, "strip": strip, "against": other, "depth_cm": depth}
        | {"week_starts": WEEK.monday, "days": 7, "days_week": 7, "coverage": 1.0, "partial": False}
        | {"uptake_mm": float(rng.uniform(-1, 7)), "reason": None}
        | {"uptake_error_mm": None if rng.random() < 0.3 else float(rng.uniform(0.1, 2.0))}
        for strip, other in (("treated", "check"), ("check", "treated"))
        for depth in DEPTHS
    ]


@pytest.mark.parametrize("seed", range(40))
def test_the_depth_of_highest_uptake_is_that_of_the_table(tables, seed):
    """Named depths are the table's highest, or every depth with more is named as not clear."""
    rows = uptake_rows(seed)
    said = told(tables, roots.came_from(rows)).replace(NBSP, " ")
    claimed = said.partition("The table shows more at ")
    for strip in ("treated", "check"):
        found = re.search(rf"(\d+) cm in the {strip} strip \(", claimed[0])
        own = {r["depth_cm"]: r["uptake_mm"] for r in rows if r["strip"] == strip}
        if found is None:
            continue
        more = {f"{d:.0f} cm in the {strip} strip" for d in own if own[d] > own[float(found[1])]}
        named = set(re.findall(rf"\d+ cm in the {strip} strip", claimed[2]))
        assert named == more


def test_some_weeks_have_more_uptake_at_a_depth_that_is_not_clear(tables):
    said = [told(tables, roots.came_from(uptake_rows(seed))) for seed in range(40)]
    assert 5 < sum("The table shows more at" in one for one in said) < 40


@pytest.mark.parametrize("seed", range(40))
def test_the_depths_that_are_nearly_dry_are_those_of_the_table(tables, seed):
    rng = np.random.default_rng(seed)
    rows = [
        {"field": "Home", "strip": strip, "depth_cm": depth, "day": WEEK.sunday, "probe": strip}
        | {"available_water_share": float(rng.choice([0.02, 0.1, 0.25, 0.26, 0.9]))}
        for strip in ("treated", "check")
        for depth in DEPTHS
        if rng.random() < 0.9
    ]
    depths = soil.by_depth(rows)
    (field,) = tables.fields()
    said = told(tables, soil.lines(depths, field)).replace(NBSP, " ")
    for strip in {row["strip"] for row in rows}:
        part = re.search(rf"{strip} strip at ([^;.]*)", said)
        named = {float(n) for n in re.findall(r"(\d+) cm", part[1])} if part else set()
        dry = {
            row["depth_cm"]
            for row in rows
            if row["strip"] == strip and row["available_water_share"] <= soil.NEARLY_DRY
        }
        assert named == dry
