"""Former names, without files: what the rules make of a farm file."""

from __future__ import annotations

import tomllib
from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from flows.farm import farm_file, renames
from flows.farm.renames import Renames
from schemas.farm.farm import Farm
from tests.flows.loggers import FARM

MORE = """
[[stations]]
name = "wst"
ids = ["W0"]
spells = [{field = "Nord", strip = "treated", from = 2018-01-01, to = 2019-12-31}]
[[probes]]
name = "deep old"
sensors = [{depth_cm = 10.5, name = "x"}, {depth_cm = 60}]
spells = [{field = "Nord", strip = "treated", from = 2018-01-01, to = 2020-03-01}]
"""


def farm(text: str = FARM + MORE) -> Farm:
    return farm_file.parse(tomllib.loads(text), "farm.toml")


def rule(kind: str, old: str, new: str, field: str = "all") -> dict[str, str]:
    return {"kind": kind, "old_name": old, "new_name": new, "field": field}


def test_two_that_are_one_have_one_name_all_words_and_all_places() -> None:
    rules = Renames.of(
        [
            rule("station", "WST", "W1"),
            rule("probe", "deep old", "deep"),
            rule("field", "nord", "North"),
        ]
    )
    found = renames.applied(farm(), rules)
    (station,), (probe,) = found.stations, found.probes
    assert (station.name, station.ids) == ("west", ("W1", "wst", "W0", "WST"))
    assert [(s.field, s.from_day) for s in station.spells] == [
        ("North", date(2018, 1, 1)),
        ("North", date(2020, 1, 1)),
    ]
    assert [s.depth_cm for s in probe.sensors] == [10, 30, 60]  # at 10 cm today's own
    assert [(s.from_day, s.to_day) for s in probe.spells] == [
        (date(2018, 1, 1), date(2020, 6, 20)),  # they overlap at one place
        (date(2020, 7, 1), None),
    ]
    assert renames.two_places(farm(), "probe", rules) == {}


def test_a_name_that_only_the_rule_has_renames_what_farm_toml_has() -> None:
    found = renames.applied(farm(FARM), Renames.of([rule("station", "west", "Home station")]))
    assert [(s.name, s.ids) for s in found.stations] == [("Home station", ("west", "W1"))]
    assert found.sources[0].station == "Home station"
    assert found.sources[0].probe == "deep"


def test_the_fields_that_a_station_serves_follow_too() -> None:
    served = '{fields = ["Old", "River", "new"]'
    text = FARM.replace('{field = "North", strip = "treated"', served, 1)
    found = renames.applied(farm(text), Renames.of([rule("field", "old", "New")]), ["RIVER", "New"])
    assert found.stations[0].spells[0].fields == ("New", "RIVER")


def test_two_places_at_once_are_said() -> None:
    apart = farm(
        FARM + MORE.replace("to = 2020-03-01", "to = 2020-03-01").replace('"Nord"', '"River"')
    )
    found = renames.two_places(apart, "probe", Renames.of([rule("probe", "deep old", "deep")]))
    assert found == {
        "deep": "River treated from 2018-01-01 to 2020-03-01, and North treated from 2020-01-01 "
        "to 2020-06-20"
    }


def test_the_field_books_spelling_counts_for_the_spells_without_any_rule() -> None:
    same = farm()
    assert renames.applied(same, Renames(), ["North", "Nord"]) is same
    found = renames.applied(same, Renames(), ["NORTH"])
    assert {s.field for s in found.probes[0].spells} == {"NORTH"}


def test_a_strip_is_renamed_on_its_own_field_only() -> None:
    rules = Renames.of(
        [
            rule("strip", "north half", "treated", "Old home"),
            rule("strip", "south half", "check"),
            rule("field", "old home", "Home"),
        ]
    )
    assert rules.today("strip", "North Half", "Home") == "treated"
    assert rules.today("strip", "north half", "River") == "north half"
    assert rules.today("strip", "south half", "River") == "check"


def test_a_thing_that_was_renamed_twice_is_followed_to_its_name_of_today() -> None:
    rules = Renames.of([rule("station", "a", "b"), rule("station", "B", "west")])
    assert [rules.today("station", name) for name in ("a", "b", "West", "c")] == [
        "west",
        "west",
        "West",
        "c",
    ]
    assert renames.applied(farm(FARM), rules).stations[0].ids == ("W1", "a", "B")


names = st.sampled_from("abcdefgh")


@given(st.dictionaries(names, names, max_size=8))
def test_todays_name_is_reached_whatever_the_rules_and_is_todays(pairs: dict[str, str]) -> None:
    rules = Renames.of([rule("field", old, new) for old, new in pairs.items() if old != new])
    for name in "abcdefgh":
        today = rules.today("field", name)
        if not rules.comes_back("field", name):
            assert rules.today("field", today) == today
            assert ("field", "all", today) not in rules.rules


@pytest.mark.parametrize("written", ["É", "E\u0301", " é "])
def test_accents_and_capitals_are_no_other_name(written: str) -> None:
    assert Renames.of([rule("field", "é", "New")]).today("field", written) == "New"
