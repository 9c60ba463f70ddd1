"""The trial's year, walked day by day: each task is due in its time and goes when the book has it."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from typing import Any

import icalendar
import polars as pl
import pytest
import vobject

from flows.base.errors import UserError
from flows.farm.folder import FarmFolder
from flows.pages import render
from flows.pages.year import calendar_file, lines, write
from flows.pages.year.items import Item, items
from flows.pages.year.place import Made
from flows.pages.year.rules import RULES
from schemas.cautions import WORKING
from tests.flows import invented
from tests.flows.pages import farm
from tests.flows.pages.farm import MemoryTables
from tests.flows.pages.page_text import digest, flat
from transforms.trial import season_ahead

FIRST, LAST = date(2024, 7, 1), date(2025, 9, 30)
CROP = "spring wheat"


def on(text: str) -> date:
    return date.fromisoformat(text)


def season(year: int, seeded: str, harvested: str) -> dict[str, Any]:
    days = {"seeded": on(seeded), "harvested": on(harvested)}
    return {"field": "Home", "season": year, "crop": CROP, **days}


SEASONS = [
    season(2022, "2022-05-05", "2022-08-25"),
    season(2023, "2023-05-05", "2023-08-25"),
    season(2024, "2024-05-05", "2024-08-25"),
    season(2025, "2025-05-03", "2025-08-27"),
]
# The day on which the grower enters it, and what lands.
EVENTS: list[tuple[str, str, dict[str, Any]]] = [
    ("2024-08-28", "strip_yield", {"season": 2024, "strip": "treated", "pass": "all"}),
    ("2024-08-28", "strip_yield", {"season": 2024, "strip": "check", "pass": "all"}),
    ("2024-09-20", "operation", {"strip": "treated", "day": on("2024-09-20")}),
    ("2024-10-01", "operation", {"strip": "treated", "day": on("2024-09-20"), "area_ha": 4.0}),
    ("2024-11-15", "price", {"field": "all", "season": 2024, "crop": CROP}),
    ("2025-02-10", "planned_season", {"season": 2025, "crop": CROP}),
    ("2025-06-10", "penetrometer", {"strip": "treated", "day": on("2025-06-09")}),
    ("2025-06-10", "penetrometer", {"strip": "check", "day": on("2025-06-09")}),
    ("2025-06-20", "observation", {"strip": "check", "day": on("2025-06-20"), "what": "infiltration"}),
    ("2025-07-12", "observation", {"strip": "check", "day": on("2025-07-12"), "what": "deepest roots"}),
    ("2025-08-30", "strip_yield", {"season": 2025, "strip": "treated", "pass": "all"}),
    ("2025-08-30", "strip_yield", {"season": 2025, "strip": "check", "pass": "all"}),
]  # fmt: skip
SPELLS = [
    {"probe": "p", "from_day": on("2023-09-01"), "to_day": on("2025-05-01"), "strip": "check"},
    {"probe": "p", "from_day": on("2025-05-12"), "to_day": None, "strip": "check"},
]
LIFT_ENTERED = on("2025-05-09")
BATTERY_GOOD = on("2025-04-10")

# First and last day on which each is due, by hand from EVENTS, SEASONS and the windows of RULES. The
# harvest to expect is the 237th day of the year (of a leap year 24 August), the next seeding 5 May.
DUE = {
    ("pass sheet", 2024): ("2024-08-03", "2024-08-27"),
    ("passes", 2024): ("2024-08-25", "2024-08-27"),
    ("decide", 2024): ("2024-08-25", "2024-09-19"),
    ("record work", 2024): ("2024-09-20", "2024-09-30"),
    ("close books", 2024): ("2024-09-24", "2024-11-14"),
    ("plan", 2024): ("2024-12-06", "2025-02-09"),
    ("batteries", 2024): ("2025-03-21", "2025-04-09"),
    ("lift", 2025): ("2025-05-02", "2025-05-08"),
    ("reinstall", 2025): ("2025-05-09", "2025-05-11"),
    ("penetrometer", 2025): ("2025-05-17", "2025-06-09"),
    ("infiltration", 2025): ("2025-05-22", "2025-06-19"),
    ("pit", 2025): ("2025-07-01", "2025-07-11"),
    ("passes", 2025): ("2025-08-27", "2025-08-29"),
}


def book(day: date) -> MemoryTables:
    """What the tables hold on a day: nothing that was entered or happened later."""
    known = [s for s in SEASONS if s["seeded"] <= day]
    known = [s | {"harvested": s["harvested"] if s["harvested"] <= day else None} for s in known]
    entered: dict[str, list[dict[str, Any]]] = {}
    for when, table, row in EVENTS:
        if on(when) <= day:
            entered.setdefault(table, []).append({"field": "Home"} | row)
    work = {"field": "Home", "practice": "deep tillage", "depth_cm": 35.0, "speed_km_h": 6.0}
    operations = [work | row for row in entered.pop("operation", [])][-1:]
    lifted = day >= LIFT_ENTERED
    open_spell = SPELLS[0] | {"to_day": None}
    spells = [s for s in SPELLS if s["from_day"] <= day] if lifted else [open_spell]
    health = {
        **{"kind": "station", "instrument": "north", "part": "whole", "finding": "battery failing"},
        **{"from_day": day, "to_day": day, "field": "Home", "current": True},
        "state": "good" if day >= BATTERY_GOOD else "not evaluated",
    }
    frames = {name: invented.frame(name, rows) for name, rows in entered.items()}
    frames |= {
        "field": invented.frame("field", [{"field": "Home", "practice": "deep tillage"}]),
        "season": invented.frame("season", known),
        "operation": invented.frame("operation", operations),
        "probe_spell": invented.frame("probe_spell", [s | {"field": "Home"} for s in spells]),
        "station_health": invented.frame("station_health", [health]),
    }
    place = invented.frame(
        "farm",
        [
            {
                "farm": "Invented",
                "latitude_deg": 50.0,
                "currency": "CAD",
                "units": "metric",
                "time_zone": "Etc/UTC",
            }
        ],
    )
    planned = frames.get("planned_season", invented.frame("planned_season", []))
    frames["season_ahead"] = season_ahead.derive(
        season=frames["season"],
        planned_season=planned,
        crop=farm.book()["crop"],
        farm=place,
    )
    return MemoryTables(frames | {"farm": place})


@pytest.fixture(scope="module")
def walk() -> dict[date, list[Item]]:
    days = [FIRST + timedelta(days=i) for i in range((LAST - FIRST).days + 1)]
    return {day: items(book(day), day) for day in days}


def days_due(walk: dict[date, list[Item]], what: str, year: int) -> list[date]:
    return [
        day
        for day, found in walk.items()
        for item in found
        if (item.rule.what, item.place.season, item.state) == (what, year, "due")
    ]


@pytest.mark.parametrize(("what", "year"), DUE, ids=str)
def test_each_task_is_due_in_its_time_and_goes_when_it_is_done(walk, what, year) -> None:
    first, last = (on(text) for text in DUE[what, year])
    found = days_due(walk, what, year)
    assert (found[0], found[-1]) == (first, last)
    assert len(found) == (last - first).days + 1  # every day between, and no other
    after = [
        i for i in walk[last + timedelta(days=1)] if (i.rule.what, i.place.season) == (what, year)
    ]
    assert [item.state for item in after] == ["done"]


def test_no_task_of_the_walk_is_forgotten(walk) -> None:
    """What is due on some day is in DUE, or began before the walk or ends after it."""
    seen = {
        (item.rule.what, item.place.season)
        for day, found in walk.items()
        for item in found
        if item.state == "due" and FIRST + timedelta(days=60) < day < on("2025-07-31")
    }
    assert seen <= DUE.keys()
    assert {what for what, _ in seen} >= {"decide", "plan", "lift", "penetrometer"}


def test_seeding_is_asked_for_only_once_it_is_overdue(walk) -> None:
    late = book(on("2025-04-30"))  # the book as it was then, looked at three weeks later
    found = {i.rule.what: i for i in items(late, on("2025-05-21")) if i.place.season == 2025}
    assert found["seeding"].state == "due" and found["seeding"].late
    assert days_due(walk, "seeding", 2025) == []  # seeded on the third, expected on the fifth


@pytest.mark.parametrize("what", [rule.what for rule in RULES])
def test_a_task_is_ahead_before_it_is_due(walk, what) -> None:
    order = ["ahead", "due", "done"]
    for year in (2024, 2025):
        states = [
            item.state
            for found in walk.values()
            for item in found
            if (item.rule.what, item.place.season) == (what, year) and item.state in order
        ]
        assert states == sorted(states, key=order.index)


def test_the_digest_never_says_nothing_while_a_decision_is_due(walk) -> None:
    for week in ("2024-W36", "2024-W45", "2025-W03"):
        monday = farm.monday(week)
        sunday = monday + timedelta(days=6)
        _, text, _ = digest(book(sunday), week)
        due = [item for item in walk[sunday] if item.ripe]
        assert due
        assert "Nothing to do" not in text and "nothing new" not in text
        for group in lines.grouped(due):
            said = flat(render.line_text(group.line, book(sunday).show(brief=True)))
            assert said in flat(text)
        assert "seasonal task" in text


def test_the_table_of_fields_and_the_decision_say_what_is_due() -> None:
    outlook = {"field": "Home", "fall": 2024, "outlook": "probably pays", "net_chance": 0.85}
    tables = book(on("2024-09-08")).with_rows("field_outlook", outlook)
    tables = tables.with_rows("season", *[SEASONS[2] | {"harvested": None}])  # a crop in the table
    _, text, _ = digest(tables, "2024-W36")
    assert "Decide on the practice after harvest: Home (probably pays)" in flat(text)
    assert "to do nothing" not in flat(text) and "seasonal task" in text.split("To do this week")[0]


def test_the_caution_stands_where_a_field_may_be_worked_and_only_there() -> None:
    _, text, _ = digest(book(on("2024-09-08")), "2024-W36")
    assert flat(text).count(WORKING) == 1
    _, text, _ = digest(book(on("2025-01-19")), "2025-W03")
    assert WORKING not in flat(text)


def test_a_crop_planned_before_its_time_is_not_ahead() -> None:
    day = on("2024-10-10")
    states = []
    for tables in (
        book(day),
        book(day).changed(lambda f: f.with_columns(planned=pl.lit(True)), "season_ahead"),
    ):
        states += [
            i.state for i in items(tables, day) if (i.rule.what, i.place.season) == ("plan", 2024)
        ]
    assert states == ["ahead", "done"]


def test_no_repeat_planned_closes_the_decision() -> None:
    tables = book(on("2024-09-01"))
    no = {"field": "Home", "season": 2025, "crop": CROP, "work_before": "no"}
    decided = tables.with_rows("planned_season", no)
    for given, state in ((tables, "due"), (decided, "done")):
        found = {i.rule.what: i.state for i in items(given, on("2024-09-01"))}
        assert found["decide"] == state


def test_what_a_planned_crop_should_earn_is_told_until_it_is_seeded() -> None:
    """The numbers of its row, in the farm's units."""
    value = {
        **{"field": "Home", "season": 2025, "crop": CROP, "price_per_kg": 0.3},
        **{"operation_day": on("2023-09-20"), "standing_kg_ha": 300.0, "standing_per_ha": 90.0},
        **{"standing_low_per_ha": -10.0, "standing_high_per_ha": 190.0, "cost_per_ha": 70.0},
        **{"fresh_kg_ha": 330.0, "fresh_per_ha": 100.0, "fresh_low_per_ha": 0.0},
        **{"fresh_high_per_ha": 200.0, "coverage": 1.0, "partial": False},
    }
    _, text, _ = digest(book(on("2025-01-19")).with_rows("planned_value", value), "2025-W03")
    said = flat(text).replace("\N{NO-BREAK SPACE}", " ")
    assert "worth +90 CAD/ha (95% interval -10 to +190)" in said
    assert "worth +100 CAD/ha (0 to +200) in that season, at a cost of 70 CAD/ha" in said
    assert WORKING in said  # it speaks of working the field
    _, text, _ = digest(book(on("2025-06-01")).with_rows("planned_value", value), "2025-W22")
    assert "worth" not in text


def test_own_cost_beside_the_custom_rate_is_told_when_the_books_close() -> None:
    row = {
        **{
            "field": "Home",
            "strip": "treated",
            "day": on("2024-09-20"),
            "practice": "deep tillage",
        },
        **{"taken": "own", "own_cost_per_ha": 50.0, "published_rate_per_ha": 58.0},
        **{"published_from": "a survey, 2019", "own_less_custom_per_ha": -8.0},
        **{"cost": 200.0, "worked_ha": 4.0, "coverage": 1.0, "partial": False},
    }
    tables = book(on("2024-10-10")).with_rows("operation_budget", row)
    found = {i.rule.what: i for i in items(tables, on("2024-10-10"))}["close books"]
    said = [render.line_text(line, tables.show()) for line in lines.details(found)]
    assert "Home: missing price." in said
    (budget,) = [text.replace("\N{NO-BREAK SPACE}", " ") for text in said if "survey" in text]
    assert "at its own cost; in all 200 CAD on 4.0 ha" in budget
    assert "published custom rate 58 CAD/ha (a survey, 2019); own less custom -8 CAD/ha." in budget


def test_passes_that_look_wrong_are_named() -> None:
    row = {"field": "Home", "season": 2024, "method": "scale wagon"}
    passes = [row | {"strip": strip, "pass": "1"} for strip in ("treated", "check")]
    tables = book(on("2024-08-29")).with_rows("harvest_pass", *passes)
    fine = {i.rule.what: i for i in items(tables, on("2024-08-29"))}
    assert fine["correct passes"].state == "done"
    doubts = [
        p | {"doubt": doubt} for p, doubt in zip(passes, ("no moisture", "too wide"), strict=True)
    ]
    given = tables.with_rows("pass_doubt", *doubts)
    found = {i.rule.what: i for i in items(given, on("2024-08-29"))}["correct passes"]
    assert found.state == "due"
    said = [render.line_text(line, tables.show()) for line in lines.details(found)]
    assert said == [
        "Home, check pass 1 looks wrong: too wide.",
        "Home, treated pass 1 looks wrong: no moisture.",
    ]


def test_what_only_the_folder_knows_is_asked_for_only_with_the_folder() -> None:
    day = on("2024-10-10")
    without = {i.rule.what for i in items(book(day), day)}
    assert not {"report", "backup"} & without
    states = [
        {i.rule.what: i.state for i in items(book(day), day, made)}["report"]
        for made in (Made(), Made(reports=(on("2024-08-01"),)), Made(reports=(on("2024-10-01"),)))
    ]
    assert states == ["due", "due", "done"]


def test_a_field_without_a_season_has_no_task() -> None:
    day = on("2024-09-08")
    assert items(book(day).without("season_ahead"), day) == []
    assert items(book(day).without("field"), day) == []


# ---- the calendar file -----------------------------------------------------------------------


def test_the_calendar_file_is_read_back_by_two_libraries(walk) -> None:
    day = on("2024-09-08")
    found = walk[day]
    made_at = datetime(2024, 9, 8, 12, tzinfo=UTC)
    content = calendar_file.calendar(found, book(day).show(brief=True), "Söhne; Farm, Inc", made_at)
    assert content.endswith(b"END:VCALENDAR\r\n")
    assert max(len(line) for line in content.split(b"\r\n")) <= 75  # octets, RFC 5545 3.1
    wanted = sorted(
        (max(i.by, day), lines.Group((i,)).phrase[0]) for i in found if i.state in {"due", "ahead"}
    )
    assert len(wanted) > 5
    one = icalendar.Calendar.from_ical(content)
    events = one.walk("VEVENT")
    assert not one.errors and not any(event.errors for event in events)
    got = sorted((e.decoded("dtstart"), str(e["summary"])) for e in events)
    assert [when for when, _ in got] == [when for when, _ in wanted]
    assert all(e.decoded("dtend") - e.decoded("dtstart") == timedelta(days=1) for e in events)
    other = vobject.readOne(content.decode())
    assert other.validate(raiseException=True)
    same = sorted((e.dtstart.value, e.summary.value) for e in other.vevent_list)
    assert same == got
    assert {e.categories.value[0] for e in other.vevent_list} == {"Söhne; Farm, Inc"}
    decide = next(e for e in events if "Decide" in e["summary"])
    assert WORKING in str(decide["description"])


def test_an_event_keeps_its_identity_from_file_to_file(walk) -> None:
    def known(day: date) -> dict[str, date]:
        content = calendar_file.calendar(
            walk[day], book(day).show(), "F", datetime(2024, 9, 8, tzinfo=UTC)
        )
        events = icalendar.Calendar.from_ical(content).walk("VEVENT")
        found = {str(e["uid"]): e.decoded("dtstart") for e in events}
        assert len(found) == len(events)
        return found

    early, later = known(on("2024-09-08")), known(on("2024-09-09"))
    assert early.keys() == later.keys()


# ---- from a published copy -------------------------------------------------------------------


def test_the_year_of_a_published_farm(published: FarmFolder, tables) -> None:
    found = write.year(published, "Home", on("2024-09-10"))
    assert "Due now" in found.text and "Decide on the practice after harvest: Home" in found.text
    assert WORKING.split(".", maxsplit=1)[0] in flat(found.text)
    assert {row["task"] for row in found.rows} >= {"decide", "plan", "report"}
    with pytest.raises(UserError, match=r"no field 'Nowhere'.*Home"):
        write.year(published, "Nowhere")


def test_a_calendar_is_not_written_over_a_folder(tmp_path) -> None:
    with pytest.raises(UserError, match="is a folder"):
        write.write_calendar(tmp_path, b"")
    path = write.write_calendar(tmp_path / "year.ics", b"BEGIN")
    assert path.read_bytes() == b"BEGIN"
