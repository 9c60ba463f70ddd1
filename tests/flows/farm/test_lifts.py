"""Lifts of the field book cut the spells of farm.toml."""

from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from flows.farm import lifts
from schemas.farm.farm import Farm

BEGIN = date(2020, 1, 1)


def day(number):
    return BEGIN + timedelta(days=number)


def farm(*spells):
    place = {"field": "North", "strip": "treated"}
    given_spells = [{**place, "from": a, "to": b} for a, b in spells]
    probe = {"name": "deep", "sensors": [{"depth_cm": 10}], "spells": given_spells}
    where = {"latitude": 50, "longitude": 0, "elevation_m": 1, "time_zone": "UTC"}
    other = {**probe, "name": "other"}
    content = {"farm": {"name": "x"}, "place": where, "probes": [probe, other]}
    return Farm.model_validate(content)


def table(*rows):
    return [dict(zip(("probe", "out_day", "in_day"), row, strict=True)) for row in rows]


def spells_of(made, name="deep"):
    probe = next(p for p in made.probes if p.name == name)
    return [(s.from_day, s.to_day) for s in probe.spells]


def test_a_lift_cuts_its_spell_and_leaves_the_other_probe():
    made = lifts.cut(
        farm((day(0), None)), table(("deep", day(10), day(20)), ("deep", day(30), None))
    )
    assert spells_of(made) == [(day(0), day(9)), (day(21), day(29))]
    assert spells_of(made, "other") == [(day(0), None)]
    both = lifts.cut(farm((day(0), None)), table(("all", day(10), day(20))))
    assert spells_of(both) == spells_of(both, "other") == [(day(0), day(9)), (day(21), None)]


def test_a_probe_that_is_still_out_keeps_its_later_spells():
    made = lifts.cut(farm((day(0), day(50)), (day(60), None)), table(("deep", day(10), None)))
    assert spells_of(made) == [(day(0), day(9)), (day(60), None)]


@given(
    st.lists(st.integers(0, 40), min_size=2, max_size=4, unique=True).map(sorted),
    st.lists(st.tuples(st.integers(0, 40), st.integers(0, 10)), max_size=4),
)
def test_a_day_is_left_if_it_was_in_a_spell_and_in_no_lift(edges, pulled):
    pairs = list(zip(edges[::2], edges[1::2], strict=False))
    whole = farm(*((day(a), day(b)) for a, b in pairs)) if pairs else farm((day(0), day(1)))
    rows = [("deep", day(out), day(out + length)) for out, length in pulled]
    made = lifts.cut(whole, table(*rows))

    def days(spells):
        return {day(n) for n in range(60) if any(a <= day(n) <= b for a, b in spells)}

    gone = days([(out, back) for _, out, back in rows])
    assert days(spells_of(made)) == days(spells_of(whole)) - gone


@pytest.mark.parametrize(
    ("out", "back", "fits"),
    [
        (10, 20, True),
        (10, None, True),
        (0, 50, True),
        (51, 59, True),  # what the spells say already
        (51, 55, False),
        (45, 55, False),
        (55, None, False),
        (70, 80, True),
        (45, 65, False),
    ],
)
def test_a_lift_fits_within_a_spell_or_says_what_the_spells_say(out, back, fits):
    probes = farm((day(0), day(50)), (day(60), None)).probes
    expected = lifts.contradiction(probes, day(out), None if back is None else day(back))
    assert (expected == "") == fits
    if not fits:
        assert expected == f"days within {day(0)} to {day(50)}; {day(60)} to now"
