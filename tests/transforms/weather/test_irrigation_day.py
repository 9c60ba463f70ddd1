"""irrigation_day by hand: field book, meters, both; strips, sums; order and doubling."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.transforms.frames import by_key, check, days, rows, season
from transforms.weather import irrigation_day

DAY, NEXT = date(2024, 6, 10), date(2024, 6, 11)
AREA_HA = 50.0  # 1 mm is 500 m3


def book(*items: dict[str, Any]) -> pl.DataFrame:
    return rows("irrigation", [{"field": "f", "day": DAY, "part": "1", **item} for item in items])


def derived(
    irrigation: pl.DataFrame,
    *seasons: dict[str, Any],
    meter: list[dict[str, Any]] | None = None,
    spells: list[dict[str, Any]] | None = None,
    weather: list[date] | None = None,
) -> dict[Any, dict[str, Any]]:
    out = irrigation_day.derive(
        irrigation,
        rows("water_meter_day", meter or []),
        rows("station_spell", spells or []),
        rows("weather_day", [{"station": "w", "day": d} for d in weather or []]),
        rows("season", seasons),
        rows("comparison", []),
    )
    check(out, "irrigation_day")
    return by_key(out, "irrigation_day")


def spell(**more: Any) -> dict[str, Any]:
    here = {"station": "m", "field": "f", "from_day": DAY, "irrigated_area_ha": AREA_HA}
    return here | more


def metered(day: date, m3: float | None, coverage: float = 1.0, **more: Any) -> dict[str, Any]:
    known = {"volume_m3": m3, "volume_coverage": coverage, "volume_since_day": day}
    return {"station": "m", "day": day, **known, **more}


# --- the field book -------------------------------------------------------------------------------


def test_both_strips_and_several_parts_add_up() -> None:
    out = derived(
        book(
            {"strip": "both", "amount_mm": 20.0, "source": "pivot"},
            {"strip": "treated", "amount_mm": 5.0, "part": "2", "source": "hand line"},
            {"strip": "check", "amount_mm": 7.0, "day": NEXT},
        )
    )
    assert {key: row["irrigation_mm"] for key, row in out.items()} == {
        ("f", "treated", DAY): 25.0,
        ("f", "check", DAY): 20.0,
        ("f", "check", NEXT): 7.0,
    }
    treated = out["f", "treated", DAY]
    assert (treated["source"], treated["irrigation_from"]) == ("hand line, pivot", "field book")
    assert (treated["coverage"], treated["partial"], treated["reason"]) == (1.0, False, None)


def test_a_part_without_a_depth_makes_the_day_unknown_not_less() -> None:
    out = derived(
        book(
            {"strip": "both", "amount_mm": 20.0},
            {"strip": "treated", "amount_mm": None, "part": "2"},
        )
    )
    row = out["f", "treated", DAY]
    assert (row["irrigation_mm"], row["coverage"], row["partial"]) == (None, 0.0, True)
    assert "does not say how much" in row["reason"]
    assert out["f", "check", DAY]["irrigation_mm"] == 20.0


def test_sums_since_monday_and_since_seeding() -> None:
    """10 June 2024 is a Monday; the crop stands from 5 June to 20 June."""
    depths = {4: 9.0, 6: 5.0, 10: 20.0, 12: None, 13: 4.0, 21: 3.0}
    out = derived(
        book(
            *(
                {"strip": "check", "amount_mm": mm, "day": date(2024, 6, d)}
                for d, mm in depths.items()
            )
        ),
        season("2024-06-05", "2024-06-20"),
    )
    names = ("week_to_date_mm", "week_to_date_unknown_d", "season", "season_to_date_mm")
    found = {k[2].day: tuple(r[n] for n in names) for k, r in out.items()}
    assert found == {
        4: (9.0, 0, None, None),
        6: (14.0, 0, 2024, 5.0),
        10: (20.0, 0, 2024, 25.0),
        12: (20.0, 1, 2024, 25.0),
        13: (24.0, 1, 2024, 29.0),
        21: (3.0, 0, None, None),
    }
    assert out["f", "check", date(2024, 6, 13)]["season_to_date_unknown_d"] == 1


def test_a_farm_without_irrigation_has_no_rows() -> None:
    weather = days("2024-06-01", 30)
    assert derived(book(), weather=weather, spells=[spell(irrigated_area_ha=None)]) == {}


@settings(deadline=None)
@given(
    st.lists(
        st.tuples(
            st.sampled_from(["treated", "check", "both"]),
            st.sampled_from([DAY, NEXT]),
            st.one_of(st.none(), st.floats(0, 100)),
        ),
        max_size=8,
    ),
    st.randoms(use_true_random=False),
)
def test_the_order_of_the_book_does_not_matter(items: list[Any], chance: Any) -> None:
    entries = [
        {"strip": strip, "day": day, "amount_mm": mm, "part": str(i)}
        for i, (strip, day, mm) in enumerate(items)
    ]
    shuffled = list(entries)
    chance.shuffle(shuffled)
    one, other = (derived(book(*e)) for e in (entries, shuffled))
    assert one.keys() == other.keys()
    for key, row in one.items():
        assert row["irrigation_mm"] == pytest.approx(other[key]["irrigation_mm"])
        assert row["reason"] == other[key]["reason"]


# --- meters ---------------------------------------------------------------------------------------


def test_a_volume_over_the_irrigated_area_in_the_strips_that_it_waters() -> None:
    """12,500 m3 on 50 ha are 25 mm, on both strips if the meter is of neither."""
    meter = [metered(DAY, 12_500.0), metered(NEXT, 0.0)]
    out = derived(book(), meter=meter, spells=[spell()])
    for strip in ("treated", "check"):
        row = out["f", strip, DAY]
        assert row["irrigation_mm"] == pytest.approx(25.0)
        assert (row["irrigation_from"], row["source"]) == ("water meter", "m")
        assert (row["coverage"], row["partial"], row["reason"]) == (1.0, False, None)
        assert out["f", strip, NEXT]["irrigation_mm"] == 0.0
    one = derived(book(), meter=meter, spells=[spell(strip="check")])
    assert {k[1] for k in one} == {"check"}


def test_a_silent_meter_is_unknown_never_zero_to_the_last_day_of_the_farm() -> None:
    out = derived(
        book(),
        meter=[metered(DAY, 500.0), metered(NEXT, 100.0, 0.4)],
        spells=[spell(strip="check")],
        weather=days("2024-06-10", 4),
    )
    assert [k[2] for k in out] == days("2024-06-10", 4)
    partly, silent = out["f", "check", NEXT], out["f", "check", date(2024, 6, 12)]
    for row in (partly, silent):
        assert row["irrigation_mm"] is None
        assert row["partial"]
    assert (partly["coverage"], partly["meter_mm"]) == (0.4, pytest.approx(0.2))
    assert "recorded 40 % of the day" in partly["reason"]
    assert "was silent" in silent["reason"]
    assert out["f", "check", date(2024, 6, 13)]["week_to_date_unknown_d"] == 3


def test_a_meter_that_never_spoke_is_unknown_and_one_whose_spell_ended_is_not_asked() -> None:
    never = derived(book(), spells=[spell(strip="check")], weather=days("2024-06-08", 4))
    assert {k[2]: r["irrigation_mm"] for k, r in never.items()} == {DAY: None, NEXT: None}
    gone = derived(
        book(),
        meter=[metered(DAY, 500.0)],
        spells=[spell(strip="check", to_day=DAY)],
        weather=days("2024-06-08", 9),
    )
    assert [k[2] for k in gone] == [DAY]


def test_what_passed_in_a_gap_is_in_the_total_after_it() -> None:
    """Half of the first day was recorded (2 mm), then nothing for a day, then a total of 8 mm."""
    third = date(2024, 6, 12)
    meter = [
        metered(DAY, 1000.0, 0.5),
        metered(third, 4000.0, 1.0, volume_since_day=DAY),
    ]
    out = derived(book(), meter=meter, spells=[spell(strip="check")])
    for day in (DAY, NEXT):
        row = out["f", "check", day]
        assert (row["irrigation_mm"], row["in_later_total"], row["partial"]) == (None, True, True)
        assert "total of a later day" in row["reason"]
    last = out["f", "check", third]
    assert last["irrigation_mm"] == pytest.approx(10.0)
    assert (last["irrigation_since_day"], last["partial"]) == (DAY, True)
    assert last["week_to_date_unknown_d"] == 0


def test_nothing_in_a_gap_is_nothing_on_each_of_its_days() -> None:
    third = date(2024, 6, 12)
    meter = [metered(DAY, 0.0, 0.5), metered(third, 0.0, 1.0, volume_since_day=DAY)]
    out = derived(book(), meter=meter, spells=[spell(strip="check")])
    assert [r["irrigation_mm"] for r in out.values()] == [0.0, 0.0, 0.0]
    assert not any(r["in_later_total"] for r in out.values())


def test_a_gap_whose_total_is_not_known_is_not_known() -> None:
    third = date(2024, 6, 12)
    meter = [metered(DAY, 0.0, 0.5), metered(third, 4000.0, 0.6, volume_since_day=DAY)]
    out = derived(book(), meter=meter, spells=[spell(strip="check")])
    assert [r["irrigation_mm"] for r in out.values()] == [None] * 3
    assert not any(r["in_later_total"] for r in out.values())
    assert all(r["reason"] for r in out.values())


def test_two_meters_of_one_strip_add_up_and_one_silent_makes_it_unknown() -> None:
    spells = [spell(strip="check"), spell(strip="check", station="n", irrigated_area_ha=25.0)]
    meter = [
        metered(DAY, 500.0),
        metered(DAY, 500.0, station="n"),
        metered(NEXT, 500.0),
        metered(NEXT, None, 0.0, station="n"),
    ]
    out = derived(book(), meter=meter, spells=spells)
    assert out["f", "check", DAY]["irrigation_mm"] == pytest.approx(1.0 + 2.0)
    assert out["f", "check", DAY]["source"] == "m, n"
    assert out["f", "check", NEXT]["irrigation_mm"] is None


def test_without_an_area_or_with_a_wrong_unit_there_is_no_depth() -> None:
    lost = derived(book(), meter=[metered(DAY, 500.0)], spells=[spell(irrigated_area_ha=None)])
    assert lost["f", "check", DAY]["irrigation_mm"] is None
    assert "no irrigated area" in lost["f", "check", DAY]["reason"]
    # gallons read as cubic meters
    much = derived(book(), meter=[metered(DAY, 3.3e6)], spells=[spell()])
    assert much["f", "check", DAY]["irrigation_mm"] is None
    assert "check its unit and the irrigated area" in much["f", "check", DAY]["reason"]


def test_the_meter_stands_where_it_knows_and_the_book_where_it_does_not() -> None:
    entries = book(
        {"strip": "check", "amount_mm": 25.0},
        {"strip": "check", "amount_mm": 30.0, "day": NEXT, "source": "pivot"},
    )
    out = derived(
        entries,
        meter=[metered(DAY, 12_000.0)],
        spells=[spell(strip="check")],
        weather=[DAY, NEXT],
    )
    first, second = out["f", "check", DAY], out["f", "check", NEXT]
    assert first["irrigation_mm"] == pytest.approx(24.0)
    assert (first["irrigation_from"], first["book_mm"], first["partial"]) == (
        "water meter",
        25.0,
        False,
    )
    assert (second["irrigation_mm"], second["irrigation_from"]) == (30.0, "field book")
    assert (second["source"], second["partial"]) == ("pivot", False)
    other = derived(
        entries, meter=[metered(DAY, 5_000.0)], spells=[spell(strip="check")], weather=[DAY]
    )["f", "check", DAY]
    assert other["irrigation_mm"] == pytest.approx(10.0)
    assert other["partial"]
    assert "the field book has 25.0 mm" in other["reason"]


@settings(deadline=None)
@given(st.lists(st.booleans(), min_size=1, max_size=12), st.randoms(use_true_random=False))
def test_all_that_a_total_counted_is_on_some_day_whatever_was_lost(
    there: list[bool], chance: Any
) -> None:
    """1 mm passes each day; days lost are bridged by the next one that is there."""
    meter, since = [], DAY
    for i, known in enumerate(there):
        day = DAY + timedelta(days=i)
        if known:
            passed = ((day - since).days + 1) * 500.0
            meter.append(metered(day, passed, volume_since_day=since))
            since = day + timedelta(days=1)
    if not meter:
        return
    chance.shuffle(meter)
    out = derived(book(), meter=meter, spells=[spell(strip="check")])
    told = sum(r["irrigation_mm"] or 0.0 for r in out.values())
    last = max(row["day"] for row in meter)
    first = min(row["day"] for row in meter)
    begun = min(row["volume_since_day"] for row in meter if row["day"] == first)
    assert told == pytest.approx((last - begun).days + 1)
    assert all(r["irrigation_mm"] is not None or r["in_later_total"] for r in out.values())
