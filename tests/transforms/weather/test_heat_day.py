"""Heat sums by season: from seeding to harvest, lost days counted, no other strip's station."""

import math
from datetime import date, timedelta
from typing import Any

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.transforms import frames
from transforms.weather import heat_day

SPELL = frames.rows(
    "station_spell",
    [
        {"station": "t1", "from_day": date(2023, 1, 1), "field": "north", "strip": "treated"},
        {"station": "c1", "from_day": date(2023, 1, 1), "field": "north", "strip": "check"},
    ],
)
STRIP = frames.rows(
    "strip", [{"field": "north", "strip": "treated"}, {"field": "north", "strip": "check"}]
)
CROP = frames.rows(
    "crop",
    [
        {"crop": "corn", "base_temp_c": 10.0, "upper_temp_c": 30.0},
        {"crop": "spring wheat", "base_temp_c": 0.0, "upper_temp_c": 35.0},
    ],
)


def season(**changes: Any) -> pl.DataFrame:
    usual = {
        "field": "north",
        "season": 2023,
        "crop": "corn",
        "seeded": date(2023, 5, 10),
        "harvested": date(2023, 5, 19),
    }
    return frames.rows("season", [{**usual, **changes}])


def weather(
    station: str, days: list[date], high: float = 25.0, low: float = 10.0, **columns: Any
) -> list[dict[str, Any]]:
    return [
        {
            "station": station,
            "day": d,
            "air_temp_max_c": high,
            "air_temp_min_c": low,
            "air_temp_coverage": 1.0,
            **columns,
        }
        for d in days
    ]


MAY = frames.days("2023-05-01", 31)


def derive(items: list[dict[str, Any]], **settings_: pl.DataFrame) -> pl.DataFrame:
    tables = {
        "station_spell": SPELL,
        "season": season(),
        "strip": STRIP,
        "crop": CROP,
        **settings_,
    }
    found = heat_day.derive(frames.rows("weather_used_day", items), **tables)
    frames.check(found, "heat_day")
    return found


def keyed(found: pl.DataFrame) -> dict[tuple[str, date], dict[str, Any]]:
    return {(r["strip"], r["day"]): r for r in found.iter_rows(named=True)}


def test_a_season_of_ten_days() -> None:
    """25/10 degC with 10 to 30: 7.5 by the averages; corn heat units 20.565 (Brown and Bootsma)."""
    found = derive(weather("t1", MAY) + weather("c1", MAY, 24.0))
    assert found.height == 20
    assert found["day"].min() == date(2023, 5, 10)
    assert found["day"].max() == date(2023, 5, 19)
    last = keyed(found)["treated", date(2023, 5, 19)]
    assert last["station"] == "t1"
    assert last["gdd_average_c_d"] == last["gdd_clipped_c_d"] == 7.5
    assert last["gdd_sine_c_d"] == pytest.approx(7.5)
    assert last["gdd_average_sum_c_d"] == pytest.approx(75)
    assert last["gdd_clipped_sum_c_d"] == pytest.approx(75)
    assert last["gdd_sine_sum_c_d"] == pytest.approx(75)
    assert last["corn_heat_units"] == pytest.approx(20.565)
    assert last["corn_heat_units_sum"] == pytest.approx(205.65)
    assert (last["days"], last["days_missing"], last["coverage"]) == (10, 0, 1)
    assert (last["partial"], last["reason"]) == (False, None)
    check = keyed(found)["check", date(2023, 5, 19)]
    assert check["gdd_average_sum_c_d"] == pytest.approx(70)


def test_the_limits_are_the_crops() -> None:
    found = derive(weather("t1", MAY, 38.0, 10.0), season=season(crop="spring wheat"))
    row = keyed(found)["treated", date(2023, 5, 12)]
    assert (row["base_temp_c"], row["upper_temp_c"]) == (0, 35)
    assert row["gdd_clipped_c_d"] == 22.5
    assert row["gdd_average_c_d"] == 24
    assert 21 < row["gdd_sine_c_d"] < 24


def test_a_lost_day_is_counted_and_never_taken_from_the_other_strip() -> None:
    days = [d for d in MAY if d != date(2023, 5, 12)]
    found = keyed(derive(weather("t1", days) + weather("c1", MAY)))
    lost = found["treated", date(2023, 5, 12)]
    assert lost["gdd_average_c_d"] is lost["corn_heat_units"] is lost["air_temp_max_c"] is None
    assert lost["gdd_average_sum_c_d"] == pytest.approx(15)
    assert lost["reason"] == (
        "station t1 has no usable temperatures; the other strip's station is not put in its "
        "place; the sums lack 1 of 3 days"
    )
    last = found["treated", date(2023, 5, 19)]
    assert last["gdd_average_sum_c_d"] == pytest.approx(67.5)
    assert (last["days_missing"], last["partial"]) == (1, True)
    assert last["coverage"] == pytest.approx(0.9)
    assert last["reason"] == "the sums lack 1 of 10 days"
    assert found["treated", date(2023, 5, 11)]["partial"] is False
    assert found["check", date(2023, 5, 19)]["partial"] is False


@pytest.mark.parametrize(
    ("coverage", "there", "partial"), [(0.74, False, True), (0.8, True, True), (1.0, True, False)]
)
def test_a_thin_day(coverage: float, there: bool, partial: bool) -> None:
    found = keyed(derive(weather("t1", MAY, air_temp_coverage=coverage)))
    row = found["treated", date(2023, 5, 10)]
    assert (row["gdd_sine_c_d"] is not None) is there
    assert row["partial"] is partial


def test_sums_with_a_day_in_part_are_partial_and_cover_what_they_have() -> None:
    days = [weather("t1", [d], air_temp_coverage=0.8 if d.day == 12 else 1.0) for d in MAY]
    found = keyed(derive([row for of_day in days for row in of_day]))
    assert found["treated", date(2023, 5, 11)]["partial"] is False
    last = found["treated", date(2023, 5, 19)]
    assert (last["partial"], last["days_missing"], last["days_part"]) == (True, 0, 1)
    assert last["coverage"] == pytest.approx(0.98)
    assert last["reason"] == "of 1 of 10 days the sums have part of the temperatures"
    own = found["treated", date(2023, 5, 12)]["reason"]
    assert own.startswith("temperatures of 80 % of the day; of 1 of 3 days")


def test_no_station_at_the_strip() -> None:
    found = keyed(
        derive(weather("c1", MAY), station_spell=SPELL.filter(pl.col("strip") == "check"))
    )
    row = found["treated", date(2023, 5, 19)]
    assert row["station"] is row["gdd_average_sum_c_d"] is row["corn_heat_units_sum"] is None
    assert (row["coverage"], row["days_missing"]) == (0, 10)
    assert row["reason"].startswith("no station stood at this strip; the other strip's station")


def test_a_station_of_the_whole_field_serves_both_strips_behind_their_own() -> None:
    field = frames.rows(
        "station_spell", [{"station": "f1", "from_day": date(2023, 1, 1), "field": "north"}]
    )
    spells = pl.concat([SPELL.filter(pl.col("strip") == "check"), field])
    found = keyed(derive(weather("c1", MAY, 24.0) + weather("f1", MAY), station_spell=spells))
    assert found["treated", date(2023, 5, 12)]["station"] == "f1"
    assert found["check", date(2023, 5, 12)]["station"] == "c1"
    thin = weather("c1", MAY, 24.0, air_temp_coverage=0.8) + weather("f1", MAY)
    assert keyed(derive(thin, station_spell=spells))["check", date(2023, 5, 12)]["station"] == "c1"
    lost = weather("c1", MAY, 24.0, air_temp_coverage=0.5) + weather("f1", MAY)
    assert keyed(derive(lost, station_spell=spells))["check", date(2023, 5, 12)]["station"] == "f1"


def test_a_station_that_moved_counts_where_it_stood() -> None:
    spells = frames.rows(
        "station_spell",
        [
            {
                "station": "t1",
                "from_day": date(2023, 1, 1),
                "to_day": date(2023, 5, 12),
                "field": "north",
                "strip": "treated",
            },
            {"station": "t1", "from_day": date(2023, 5, 13), "field": "north", "strip": "check"},
        ],
    )
    found = derive(weather("t1", MAY), station_spell=spells)
    assert found.filter(pl.col("gdd_sine_c_d").is_not_null()).group_by("strip").len().sort(
        "strip"
    ).rows() == [("check", 7), ("treated", 3)]


def test_a_standing_crop_runs_to_the_newest_day_of_any_station() -> None:
    items = weather("t1", MAY[:15]) + weather("c1", MAY[:20])
    found = keyed(derive(items, season=season(harvested=None)))
    last = found["treated", date(2023, 5, 20)]
    assert (last["days"], last["days_missing"]) == (11, 5)
    assert ("treated", date(2023, 5, 21)) not in found


def test_a_season_over_new_year() -> None:
    days = frames.days("2022-12-25", 20)
    spells = SPELL.with_columns(from_day=pl.lit(date(2022, 1, 1)))
    winter = season(crop="spring wheat", seeded=date(2022, 12, 28), harvested=date(2023, 1, 3))
    found = keyed(derive(weather("t1", days, 6.0, -4.0), season=winter, station_spell=spells))
    last = found["treated", date(2023, 1, 3)]
    assert (last["season"], last["days"]) == (2023, 7)
    assert last["gdd_average_sum_c_d"] == pytest.approx(7)
    assert last["gdd_clipped_sum_c_d"] == pytest.approx(21)


def test_a_crop_that_is_not_in_the_list() -> None:
    row = keyed(derive(weather("t1", MAY), season=season(crop="quinoa")))[
        "treated", date(2023, 5, 12)
    ]
    assert row["gdd_sine_c_d"] is None
    assert row["reason"].startswith("the crop list has no quinoa")
    assert row["partial"] is True


def test_nothing() -> None:
    assert derive([], season=season().clear()).is_empty()
    assert derive([], season=season(harvested=None)).is_empty()


@given(
    st.lists(
        st.tuples(st.floats(-10, 30), st.floats(0, 20), st.booleans()), min_size=10, max_size=10
    ),
    st.randoms(use_true_random=False),
)
@settings(max_examples=20, deadline=None)
def test_sums_are_the_sums_of_the_days_there_in_any_order(drawn, random) -> None:
    items = []
    for i, (low, width, there) in enumerate(drawn):
        if there:
            items += weather("t1", [date(2023, 5, 10) + timedelta(days=i)], low + width, low)
    random.shuffle(items)
    found = derive(items).filter(pl.col("strip") == "treated")
    if items:
        newest = max(i["day"] for i in items)
        seen = found.filter(pl.col("day") <= newest)
        for daily, total in heat_day._SUMS.items():
            sums = seen[total].drop_nulls().to_list()
            assert sums == sorted(sums)
            assert sums[-1] == pytest.approx(seen[daily].sum())
        assert seen["days_missing"].to_list()[-1] == seen.height - len(items)


NO_UPPER = 99.0


def of(method, *values: float) -> float:
    return pl.select(method(*(pl.lit(float(v)) for v in values))).item()


# McMaster and Wilhelm 1997, Agricultural and Forest Meteorology 87: the two readings of the same
# equation, (max, min, base, method 1, method 2). They differ only where min < base < max.
@pytest.mark.parametrize(
    ("high", "low", "base", "first", "second"),
    [(20, 4, 10, 2, 5), (8, -4, 0, 2, 4), (25, 12, 10, 8.5, 8.5), (9, 2, 10, 0, 0)],
)
def test_mcmaster_and_wilhelm(high, low, base, first, second) -> None:
    assert of(heat_day.gdd_average, high, low, base, NO_UPPER) == pytest.approx(first)
    assert of(heat_day.gdd_clipped, high, low, base, NO_UPPER) == pytest.approx(second)


# The clipped average with limits of 50 and 86 degF is the trade's usual corn growing degree day
# (common practice, no source): 95/70 counts as 86/70, 60/40 as 60/50.
@pytest.mark.parametrize(
    ("high", "low", "degree_days_f"), [(95, 70, 28), (60, 40, 5), (95, 90, 36), (45, 30, 0)]
)
def test_upper_limit(high, low, degree_days_f) -> None:
    assert of(heat_day.gdd_clipped, high, low, 50, 86) == pytest.approx(degree_days_f)
    assert of(heat_day.gdd_average, 95, 90, 50, 86) == pytest.approx(36)


def test_baskerville_and_emin() -> None:
    """Baskerville and Emin 1969: a day of 34 to 60 degF above 50; and half a sine, 10 / pi."""
    assert of(heat_day.gdd_sine, 60, 34, 50, NO_UPPER) == pytest.approx(2.749, abs=0.0005)
    assert of(heat_day.gdd_sine, 20, 0, 10, NO_UPPER) == pytest.approx(10 / math.pi, abs=1e-12)


# Brown and Bootsma 1993; each half at or above zero, nights from 4.4 degC (not 4.44).
@pytest.mark.parametrize(
    ("high", "low", "units"), [(30, 15, 26.04), (25, 10, 20.565), (12, 3, 3.162), (9, 2, 0)]
)
def test_corn_heat_units(high, low, units) -> None:
    assert of(heat_day.corn_heat_units, high, low) == pytest.approx(units, abs=5e-4)


TEMPS = st.tuples(st.floats(-30, 45), st.floats(0, 30)).map(lambda t: (t[0] + t[1], t[0]))


@given(TEMPS, st.floats(-2, 15), st.floats(5, 25))
@settings(max_examples=60, deadline=None)
def test_the_sine_is_the_area_under_a_sine(temps, base, width) -> None:
    high, low = temps
    upper = base + width
    hours = (np.arange(20000) + 0.5) / 20000
    curve = (high + low) / 2 + (high - low) / 2 * np.sin(2 * np.pi * hours)
    area = (np.clip(curve, base, upper) - base).mean()
    assert of(heat_day.gdd_sine, high, low, base, upper) == pytest.approx(area, abs=2e-4)


@given(TEMPS, st.floats(-2, 15), st.floats(5, 25))
@settings(max_examples=60, deadline=None)
def test_methods_agree_where_they_must_and_keep_their_bounds(temps, base, width) -> None:
    high, low = temps
    upper = base + width
    methods = (heat_day.gdd_average, heat_day.gdd_clipped, heat_day.gdd_sine)
    found = [of(m, high, low, base, upper) for m in methods]
    assert all(-1e-9 <= f <= width + 1e-9 for f in found)
    if low >= base and high <= upper:
        assert found == pytest.approx([(high + low) / 2 - base] * 3, abs=1e-9)
    if high <= base:
        assert found == pytest.approx([0.0] * 3, abs=1e-9)
    if high <= upper:  # McMaster and Wilhelm: method 2 is never the smaller of the two
        assert found[1] >= found[0] - 1e-9
