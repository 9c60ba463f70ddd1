"""The weather that the other tables use: judged rain, and rain read by hand in its place."""

from datetime import date, timedelta
from typing import Any

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.transforms import frames
from tests.transforms.weather.rain_frames import NORMALS, SEASONS, SPELL, used, weather
from transforms.weather import rain_day, rain_month

DAYS = frames.days("2023-06-01", 30)
_KEYS = ("rain_mm", "rain_coverage", "rain_from", "rain_since_day")


def by_hand(*items: tuple[int, float] | tuple[int, float, int]) -> list[dict[str, Any]]:
    """Readings of June at the field: day, mm and of how many days."""
    return [
        {
            "kind": "field",
            "place": "north",
            "read_day": date(2023, 6, n),
            "rain_mm": mm,
            "over_d": over[0] if over else None,
        }
        for n, mm, *over in items
    ]


def keyed(found: pl.DataFrame) -> dict[int, dict[str, Any]]:
    return {row["day"].day: row for row in found.filter(station="a").iter_rows(named=True)}


def test_without_a_hand_gauge_the_station_s_values_stand() -> None:
    items = weather(DAYS, 2.0, air_temp_mean_c=15.0, air_temp_coverage=1.0)
    found = used(items)
    plain = frames.rows("weather_day", items)
    shared = [c for c in plain.columns if c in found.columns and c not in ("field", "strip")]
    shared = [
        c for c in shared if not c.endswith("coverage") and c not in ("partial", "gauge_heated")
    ]
    assert found.select(shared).equals(plain.select(shared))
    assert set(found["rain_from"]) == {"a"}
    assert set(found["field"]) == {"north"}
    assert found["reason"].null_count() == found.height


def test_a_day_in_part_says_so_and_its_rain_keeps_its_own_reason() -> None:
    found = used([row | {"partial": True} for row in weather(DAYS[:2], 2.0)])
    assert set(found["reason"]) == {"not all of the day was recorded"}
    assert found["rain_note"].null_count() == 2
    assert rain_day.derive(found, SPELL, NORMALS, SEASONS)["reason"].null_count() == 2


def test_what_was_read_by_hand_stands_in_only_where_the_station_lacks_it() -> None:
    items = weather([d for d in DAYS if d.day not in (5, 6, 7)], 2.0)
    items[9] |= {"rain_coverage": 0.5, "rain_mm": 1.0}  # the 13th
    found = keyed(used(items, gauge=by_hand((4, 3.0), (5, 12.0), (7, 0.0), (13, 4.0))))
    assert [found[4][k] for k in _KEYS] == [2.0, 1.0, "a", date(2023, 6, 4)]
    assert (found[4]["hand_mm"], found[4]["reason"]) == (3.0, None)
    assert [found[5][k] for k in _KEYS] == [12.0, 1.0, "hand gauge", date(2023, 6, 5)]
    assert found[5]["reason"] == "the rain was read by hand (no station recorded the day)"
    assert 6 not in found  # nobody knows
    assert (found[7]["rain_mm"], found[7]["rain_from"]) == (0.0, "hand gauge")
    assert (found[13]["rain_mm"], found[13]["rain_coverage"]) == (4.0, 1.0)
    assert "the station recorded 50 % of the day" in found[13]["reason"]


def test_lost_doubtful_and_set_aside_rain_gives_way_to_the_hand_gauge() -> None:
    items = weather(DAYS, lambda d: 0.0 if d.day > 10 else 400.0 if d.day == 3 else 2.0)
    items[7] |= {
        "rain_mm": None,
        "rain_coverage": 0.0,
        "rain_reason": "not used: nest in the gauge",
    }
    wet = [(n, 8.0) for n in range(11, 31) if n % 3 == 0]
    found = keyed(used(items, gauge=by_hand((3, 14.0), (8, 6.0), *wet)))
    assert (found[3]["rain_mm"], found[3]["rain_doubtful"]) == (14.0, False)
    assert "the station's 400.0 mm: more rain in a day than in a usual year" in found[3]["reason"]
    assert (found[8]["rain_mm"], found[8]["rain_from"]) == (6.0, "hand gauge")
    assert "not used: nest in the gauge" in found[8]["reason"]
    # The hand gauge itself shows that the zeros are no record.
    assert (found[12]["rain_mm"], found[12]["gauge_lost"]) == (8.0, True)
    assert "while the hand gauge at a caught" in found[12]["reason"]
    assert (found[13]["rain_mm"], found[13]["gauge_lost"]) == (None, True)


def test_a_total_that_the_hand_gauge_contradicts_is_no_record_of_the_silence() -> None:
    """The station is silent from the 5th to the 12th; its counter did not move, 30 mm were read by hand."""
    items = weather([d for d in DAYS if not 4 < d.day < 13], 0.0)
    items[4] |= {"rain_since_day": date(2023, 6, 5)}  # the 13th
    read = by_hand((6, 9.0), (8, 9.0), (11, 12.0))
    found = keyed(used(items, gauge=read))
    assert found[13]["gauge_lost"]
    assert (found[13]["rain_mm"], found[13]["rain_coverage"]) == (None, 0.0)
    assert (
        "the total since 2023-06-05 is 0.0 mm while the hand gauge at a caught 30.0 mm"
        in found[13]["reason"]
    )
    assert [found[n]["rain_mm"] for n in (6, 8, 11, 12 + 2)] == [9.0, 9.0, 12.0, 0.0]
    # Counted, it stands for all of them.
    items[4] |= {"rain_mm": 31.0}
    assert keyed(used(items, gauge=read))[13]["rain_mm"] == 31.0


def test_doubtful_rain_that_the_hand_gauge_caught_too_is_believed() -> None:
    items = weather(DAYS, lambda d: 400.0 if d.day == 3 else 2.0)
    row = keyed(used(items, gauge=by_hand((3, 380.0))))[3]
    assert (row["rain_mm"], row["rain_from"], row["rain_doubtful"]) == (400.0, "a", False)
    assert "caught about as much" in row["reason"]
    assert keyed(used(items, gauge=by_hand((3, 200.0))))[3]["rain_mm"] == 200.0


def test_several_days_in_one_reading_count_for_the_month_and_no_day_of_it() -> None:
    items = weather([d for d in DAYS if d.day not in (5, 6, 7)], 2.0)
    found = used(items, gauge=by_hand((7, 9.0, 3)))
    days = rain_day.derive(found, SPELL, NORMALS, SEASONS)
    by = {row["day"].day: row for row in days.iter_rows(named=True)}
    assert [by[n]["rain_mm"] for n in (4, 5, 6, 7, 8)] == [2.0, None, None, 9.0, 2.0]
    assert [by[n]["bridged"] for n in (5, 6, 7)] == [True, True, False]
    assert (by[7]["recorded_d"], by[7]["normal_recorded_mm"]) == (3.0, pytest.approx(3.0))
    assert by[7]["rain_from"] == "hand gauge"
    assert by[7]["reason"].startswith(
        "the total is of the days since 2023-06-05; the rain was read"
    )
    months = rain_month.derive(days, frames.rows("normal_month", [])).row(0, named=True)
    assert (months["rain_mm"], months["days_whole"], months["partial"]) == (63.0, 30, False)
    assert months["by_hand_d"] == 3


def test_no_day_is_in_two_totals() -> None:
    """A total of the station, or days that it mostly has, keep a reading of several days out."""
    items = weather([d for d in DAYS if d.day not in (5, 6)], 2.0)
    mostly = used(items, gauge=by_hand((8, 20.0, 8)))
    assert keyed(mostly)[8]["rain_from"] == "a"
    bridged = weather([d for d in DAYS if d.day not in (5, 6)], 2.0)
    bridged[4] |= {"rain_mm": 9.0, "rain_since_day": date(2023, 6, 5)}  # the 7th
    found = keyed(used(bridged, gauge=by_hand((6, 7.0, 3), (5, 4.0))))
    assert (found[7]["rain_mm"], found[7]["rain_from"]) == (9.0, "a")
    assert 5 not in found
    assert 6 not in found
    # Days of a total that the station has alone are taken with it.
    half = keyed(used(items, gauge=by_hand((6, 7.0, 3))))
    assert (half[6]["rain_mm"], half[6]["rain_since_day"]) == (7.0, date(2023, 6, 4))
    assert (half[4]["rain_mm"], half[4]["rain_coverage"]) == (None, 0.0)


def test_a_station_that_died_goes_on_by_hand() -> None:
    found = used(weather(DAYS[:10], 2.0), gauge=by_hand((20, 5.0)))
    row = keyed(found)[20]
    assert (row["rain_mm"], row["field"], row["strip"]) == (5.0, "north", "check")
    assert row["air_temp_mean_c"] is None
    days = rain_day.derive(found, SPELL, NORMALS, SEASONS)
    assert days["day"].max() == date(2023, 6, 20)
    assert used([], gauge=by_hand((20, 5.0)))["rain_mm"].to_list() == [5.0]
    assert used([]).is_empty()


@given(
    st.lists(st.sampled_from(["own", "half", "none", "total"]), min_size=1, max_size=30),
    st.dictionaries(st.integers(1, 30), st.integers(1, 6), max_size=15),
    st.randoms(use_true_random=False),
)
@settings(max_examples=60, deadline=None)
def test_rain_at_one_mm_a_day_is_one_mm_a_day_whoever_caught_it(
    kinds: list[str], hand: dict[int, int], random: Any
) -> None:
    """Then the rain of every row is the days that it stands for: nothing lost, nothing doubled."""
    items, pending, since = [], 0.0, None
    for n, kind in enumerate(kinds):
        on = date(2023, 6, 1) + timedelta(days=n)
        if kind == "none":
            pending, since = pending + 1.0, since or on
        elif kind == "half":
            items += weather([on], 0.5, rain_coverage=0.5)
            pending, since = pending + 0.5, since or on
        elif kind == "total":
            items += weather([on], 1.0 + pending, rain_since_day=since or on)
            pending, since = 0.0, None
        else:
            items += weather([on], 1.0)
            pending, since = 0.0, None
    readings, last = [], 0
    for n in sorted(hand):
        over = min(hand[n], n - last) if last else hand[n]
        readings += by_hand((n, float(over), hand[n]))
        last = n
    random.shuffle(items)
    random.shuffle(readings)
    found = used(items, gauge=readings)
    days = rain_day.derive(found, SPELL, NORMALS, SEASONS) if found.height else None
    if days is None:
        return
    recorded = days.filter(pl.col("recorded_d") > 0)
    away = (recorded["rain_mm"] - recorded["recorded_d"]).abs().max()
    assert away in (None, pytest.approx(0, abs=1e-9))
    assert (days["year_to_date_coverage"].fill_null(0) <= 1).all()
