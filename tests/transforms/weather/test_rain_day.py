"""Rain against normal by day: bridged gaps, partial days, sums to date."""

from collections.abc import Sequence
from datetime import date, timedelta
from typing import Any

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.transforms import frames
from tests.transforms.weather.rain_frames import NORMALS, SEASONS, SPELL, used, weather
from transforms.weather import rain_day


def derive(items: list[dict[str, Any]], normals: pl.DataFrame = NORMALS) -> pl.DataFrame:
    found = rain_day.derive(used(items, normals=normals), SPELL, normals, SEASONS)
    frames.check(found, "rain_day")
    return found


def keyed(found: pl.DataFrame) -> dict[date, dict[str, Any]]:
    return {row["day"]: row for row in found.iter_rows(named=True)}


def test_a_whole_year() -> None:
    found = keyed(derive(weather(frames.days("2023-01-01", 365), 1.5)))
    may = found[date(2023, 5, 20)]
    assert (may["field"], may["strip"], may["season"]) == ("north", "check", 2023)
    assert may["normal_mm"] == pytest.approx(1)
    assert may["departure_mm"] == pytest.approx(0.5)
    assert may["recorded_d"] == 1
    assert may["year_to_date_mm"] == pytest.approx(1.5 * 140)
    assert may["year_to_date_normal_mm"] == pytest.approx(140)
    assert may["year_to_date_of_normal_pct"] == pytest.approx(150)
    assert may["year_to_date_coverage"] == 1
    assert may["season_to_date_mm"] == pytest.approx(1.5 * 11)  # the day of seeding counts
    assert may["season_to_date_normal_mm"] == pytest.approx(11)
    assert may["season_to_date_of_normal_pct"] == pytest.approx(150)
    assert (may["partial"], may["reason"], may["bridged"]) == (False, None, False)
    between = found[date(2023, 9, 1)]
    assert between["season"] is between["season_to_date_mm"] is None
    assert between["season_to_date_coverage"] is None
    assert found[date(2023, 8, 20)]["season"] == 2023
    assert found[date(2023, 8, 21)]["season"] is None


def test_a_season_runs_over_new_year_and_the_year_does_not() -> None:
    found = keyed(derive(weather(frames.days("2023-09-15", 200))))
    row = found[date(2024, 1, 2)]
    assert row["season"] == 2024
    assert row["season_to_date_mm"] == pytest.approx(110)
    assert row["year_to_date_mm"] == pytest.approx(2)


def test_february_keeps_its_sum_in_leap_years() -> None:
    for year in (2023, 2024):
        found = derive(weather(frames.days(f"{year}-02-01", 29 if year == 2024 else 28)))
        assert found["normal_mm"].sum() == pytest.approx(28, abs=1e-9)


def test_a_lost_day_is_no_dry_day() -> None:
    days = [d for d in frames.days("2023-01-01", 20) if d.day not in (5, 6)]
    found = keyed(derive(weather(days, 2.0)))
    lost = found[date(2023, 1, 5)]
    assert lost["rain_mm"] is lost["departure_mm"] is lost["normal_recorded_mm"] is None
    assert (lost["recorded_d"], lost["rain_coverage"], lost["partial"]) == (0, 0, True)
    assert lost["normal_mm"] == pytest.approx(1)
    assert lost["reason"] == "no rain record that day"
    assert lost["field"] == "north"
    last = found[date(2023, 1, 20)]
    assert last["year_to_date_mm"] == pytest.approx(36)
    assert last["year_to_date_normal_mm"] == pytest.approx(18)  # of the days present
    assert last["year_to_date_of_normal_pct"] == pytest.approx(200)
    assert last["year_to_date_coverage"] == pytest.approx(18 / 20)


def test_days_before_the_station_came_are_lost_days() -> None:
    found = keyed(derive(weather(frames.days("2023-05-20", 12))))
    row = found[date(2023, 5, 31)]
    assert row["year_to_date_coverage"] == pytest.approx(12 / 151)
    assert row["season_to_date_coverage"] == pytest.approx(12 / 22)


def test_half_a_day_is_compared_with_half_its_normal() -> None:
    found = derive(weather(frames.days("2023-01-01", 1), 3.0, rain_coverage=0.5))
    row = found.row(0, named=True)
    assert row["normal_recorded_mm"] == pytest.approx(0.5)
    assert row["departure_mm"] == pytest.approx(2.5)
    assert row["reason"] == "rain was recorded for 50 % of the day"


def test_a_bridged_gap() -> None:
    """2 to 4 May: half of the 2nd recorded, the rest in the total of the 5th."""
    items = weather(frames.days("2023-05-01", 2), 1.0)
    items[1]["rain_coverage"] = 0.5
    items += weather(frames.days("2023-05-05", 3), 1.0)
    items[2] |= {"rain_mm": 10.0, "rain_since_day": date(2023, 5, 2)}
    found = keyed(derive(items))
    assert [found[date(2023, 5, d)]["bridged"] for d in range(1, 8)] == [
        False,
        True,
        True,
        True,
        False,
        False,
        False,
    ]
    total = found[date(2023, 5, 5)]
    assert total["recorded_d"] == pytest.approx(3.5)
    assert total["normal_recorded_mm"] == pytest.approx(3.5)
    assert total["departure_mm"] == pytest.approx(6.5)
    assert total["reason"] == "the total is of the days since 2023-05-02"
    assert total["partial"] is True
    assert found[date(2023, 5, 3)]["reason"] == "what the day lost is in the total of a later day"
    last = found[date(2023, 5, 7)]
    assert last["year_to_date_mm"] == pytest.approx(14)
    assert last["year_to_date_normal_mm"] == pytest.approx(7)
    assert last["year_to_date_coverage"] == pytest.approx(7 / 127)


@pytest.mark.parametrize(
    ("temp", "rain", "heated", "flag"),
    [
        (-3.0, 2.0, False, True),
        (0.0, 2.0, False, True),  # at or below
        (0.1, 2.0, False, False),
        (-3.0, 0.0, False, False),
        (-3.0, 2.0, True, False),
        (-3.0, 2.0, None, True),  # not known to be heated
        (None, 2.0, False, None),
        (None, 0.0, False, False),
    ],
)
def test_rain_in_frost_from_an_unheated_gauge_may_be_snow(temp, rain, heated, flag) -> None:
    spell = SPELL.with_columns(gauge_heated=pl.lit(heated, pl.Boolean))
    items = weather(frames.days("2023-01-01", 1), rain, air_temp_mean_c=temp)
    found = rain_day.derive(used(items, spell), spell, NORMALS, SEASONS)
    assert found["may_be_snow"].item() is flag


def test_without_normals_rain_stands_and_the_reason_says_so() -> None:
    none = frames.rows("normal_day", [])
    row = derive(weather(frames.days("2023-01-01", 3)), none).row(2, named=True)
    assert row["year_to_date_mm"] == 3
    assert row["departure_mm"] is row["year_to_date_normal_mm"] is None
    assert row["year_to_date_of_normal_pct"] is None
    assert row["reason"] == "there is no normal for the day"
    assert row["partial"] is False


def test_nothing_recorded_is_null_not_zero() -> None:
    row = derive(weather(frames.days("2023-01-01", 2), lambda d: None)).row(1, named=True)
    assert row["rain_mm"] is row["year_to_date_mm"] is row["year_to_date_normal_mm"] is None
    assert row["year_to_date_coverage"] == 0


def test_no_weather() -> None:
    assert derive([]).is_empty()


@given(
    st.lists(st.sampled_from(["whole", "half", "lost", "total"]), min_size=1, max_size=40),
    st.randoms(use_true_random=False),
)
@settings(max_examples=25, deadline=None)
def test_every_day_is_accounted_for_once_whatever_is_lost(kinds, random) -> None:
    """Rain falls at 1 mm a day, as the normal has it; a total brings all since the last whole day.

    Then rain recorded, its normal and the days recorded are all the same number, to the day.
    """
    items = []
    pending = 0.0
    since: date | None = None
    for i, kind in enumerate(kinds):
        day = date(2023, 3, 1) + timedelta(days=i)
        if kind == "lost":
            pending, since = pending + 1.0, since or day
        elif kind == "half":
            items += weather([day], 0.5, rain_coverage=0.5)
            pending, since = pending + 0.5, since or day
        elif kind == "total":
            items += weather([day], 1.0 + pending, rain_since_day=since or day)
            pending, since = 0.0, None
        else:
            items += weather([day], 1.0)
            pending, since = 0.0, None
    random.shuffle(items)
    found = derive(items)
    recorded = found.filter(pl.col("recorded_d") > 0)
    assert (recorded["rain_mm"] - recorded["recorded_d"]).abs().max() in (
        None,
        pytest.approx(0, abs=1e-9),
    )
    assert recorded["departure_mm"].abs().max() in (None, pytest.approx(0, abs=1e-6))
    if found.height:
        last = found.row(-1, named=True)
        if last["year_to_date_mm"] is not None:
            assert last["year_to_date_mm"] == pytest.approx(sum(i["rain_mm"] for i in items))
            assert last["year_to_date_of_normal_pct"] == pytest.approx(100, abs=1e-4)


def test_doubtful_rain_is_kept_partial_and_counted_to_date() -> None:
    days = frames.days("2023-05-01", 40)
    found = keyed(derive(weather(days, lambda d: 1361.0 if d == days[20] else 1.0)))
    row = found[days[20]]
    assert (row["rain_mm"], row["rain_doubtful"], row["partial"]) == (1361.0, True, True)
    assert row["reason"] == "more rain in a day than in a usual year"
    assert row["rain_coverage"] == 1.0
    last = found[days[-1]]
    assert (last["rain_doubtful"], last["partial"], last["reason"]) == (False, False, None)
    assert (last["year_to_date_doubtful_d"], last["season_to_date_doubtful_d"]) == (1, 1)
    assert found[days[19]]["year_to_date_doubtful_d"] == 0


def test_rain_beyond_the_records_is_named_with_its_amount() -> None:
    impossible = {"rain_mm": None, "rain_coverage": 0.0, "rain_impossible_mm": 2100.0}
    first, second = frames.days("2023-05-01", 2)
    items = [weather([first])[0] | impossible, weather([second], 3.0)[0]]
    row = keyed(derive(items))[first]
    assert row["rain_mm"] is None
    assert row["partial"]
    assert row["reason"] == (
        "2100.0 mm were left out: more than was ever measured anywhere in so short a time"
    )


def test_dry_weeks_that_the_other_gauge_contradicts_are_not_recorded() -> None:
    other = SPELL.with_columns(station=pl.lit("b"), strip=pl.lit("treated"))
    days = frames.days("2023-05-01", 30)
    items = weather(days, lambda d: 0.0 if d.day > 10 else 2.0)
    beside = [row | {"station": "b"} for row in weather(days, lambda d: 6.0 if d.day % 3 else 0.0)]
    spells = pl.concat([SPELL, other])
    found = rain_day.derive(used([*items, *beside], spells), spells, NORMALS, SEASONS)
    frames.check(found, "rain_day")
    mine = keyed(found.filter(pl.col("station") == "a"))
    dry = mine[days[15]]
    assert (dry["rain_mm"], dry["rain_coverage"], dry["recorded_d"]) == (None, 0.0, 0.0)
    assert dry["partial"]
    assert "the gauge caught nothing on 20 days in a row while b caught" in dry["reason"]
    assert mine[days[-1]]["year_to_date_coverage"] == pytest.approx(10 / 150)
    assert not found.filter(pl.col("station") == "b")["partial"].any()


def test_a_gap_of_a_year_is_filled_and_a_longer_one_is_not() -> None:
    first = date(2021, 3, 1)
    for gap_d, days in ((365, 366), (366, 2)):
        rows = [
            {
                "station": "a",
                "day": day,
                "rain_mm": 1.0,
                "rain_since_day": day,
                "rain_coverage": 1.0,
            }
            for day in (first, first + timedelta(days=gap_d))
        ]
        found = derived(rows)
        assert found.height == days
        assert found["year_to_date_mm"].to_list()[-1] == 1.0
        assert found["rain_mm"].sum() == 2.0


def test_sums_since_seeding_end_with_the_year_after_if_nobody_notes_a_harvest() -> None:
    rows = [
        {"station": "a", "day": day, "rain_mm": 1.0, "rain_since_day": day, "rain_coverage": 1.0}
        for day in (date(2021, 9, 1) + timedelta(days=n) for n in range(500))
    ]
    season = [frames.season("2021-09-10")]
    found = derived(rows, season).filter(pl.col("season_to_date_mm").is_not_null())
    assert (found["day"].min(), found["day"].max()) == (date(2021, 9, 10), date(2022, 12, 31))
    assert found["season_to_date_mm"].to_list()[-1] == found.height


def derived(rows: list[dict[str, Any]], season: Sequence[dict[str, Any]] = ()) -> pl.DataFrame:
    used = frames.rows("weather_used_day", rows, field="f", rain_doubtful=False, gauge_lost=False)
    spell = [{"station": "a", "field": "f", "from_day": date(2020, 1, 1)}]
    return rain_day.derive(
        used,
        frames.rows("station_spell", spell),
        frames.rows("normal_day", []),
        frames.rows("season", season),
    )
