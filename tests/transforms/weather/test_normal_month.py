"""Monthly normals by WMO-No. 1203 (rules READ, see the module), against an open daily record."""

import calendar
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.transforms import frames
from tests.transforms.weather.open_record import open_record
from transforms.weather import normal_month

GIVEN = frames.rows("normal_given", [])


def record(days: list[date], **columns: Any) -> pl.DataFrame:
    """Whole days of a station without a field: 1 mm, 5 to 15 degC, where not told otherwise."""
    usual = {
        "rain_mm": 1.0,
        "rain_coverage": 1.0,
        "air_temp_mean_c": 10.0,
        "air_temp_max_c": 15.0,
        "air_temp_min_c": 5.0,
        "air_temp_coverage": 1.0,
    }
    items = []
    for day in days:
        given = {k: v(day) if callable(v) else v for k, v in columns.items()}
        items.append({"station": "long", "day": day, "rain_since_day": day, **usual, **given})
    return frames.rows("weather_day", items)


def year_days(first: int, last: int) -> list[date]:
    n = (date(last + 1, 1, 1) - date(first, 1, 1)).days
    return frames.days(f"{first}-01-01", n)


def derive(days: pl.DataFrame, first: int | None, last: int | None) -> dict[int, dict[str, Any]]:
    farm = frames.farm(normal_station="long", normal_from=first, normal_to=last)
    found = normal_month.derive(days, GIVEN, farm)
    frames.check(found, "normal_month")
    assert found["month"].to_list() == list(range(1, 13))
    return frames.by_key(found, "normal_month")


def one_may(lost: set[int], **columns: Any) -> dict[str, Any]:
    """The normal of May of one year with the given days lost."""
    days = [d for d in year_days(2001, 2001) if not (d.month == 5 and d.day in lost)]
    return derive(record(days, **columns), 2001, 2001)[5]


def test_an_open_record_of_thirty_years() -> None:
    """Mean monthly rain 1982-2011 of that file as measured beforehand with other code."""
    found = derive(open_record(), 1982, 2011)
    rain = [6.41, 9.59, 17.17, 38.08, 69.48, 68.60, 77.35, 55.60, 28.81, 35.60, 10.53, 7.34]
    assert [found[m]["rain_mm"] for m in range(1, 13)] == pytest.approx(rain, abs=0.005)
    assert all(found[m]["rain_years"] == 30 and not found[m]["partial"] for m in found)
    # Against plain Python: the mean over years of the mean over days.
    items = open_record().filter(pl.col("day").dt.year() <= 2011).to_dicts()
    for month in (2, 7):
        for name in ("air_temp_mean_c", "air_temp_max_c", "air_temp_min_c"):
            by_year = [
                [i[name] for i in items if (i["day"].year, i["day"].month) == (y, month)]
                for y in range(1982, 2012)
            ]
            truth = sum(sum(v) / len(v) for v in by_year) / 30
            assert found[month][name] == pytest.approx(truth, abs=1e-9)
    assert found[7]["air_temp_max_c"] > found[7]["air_temp_mean_c"] > found[7]["air_temp_min_c"]


# WMO-No. 1203: a monthly mean is missing with 11 or more days missing, or 5 or more in a row.
@pytest.mark.parametrize(
    ("lost", "there"),
    [
        (set(), True),
        ({3, 4, 5, 6}, True),  # four in a row pass
        ({3, 4, 5, 6, 7}, False),  # five do not
        ({27, 28, 29, 30, 31}, False),
        (set(range(1, 21, 2)), True),  # ten in all pass
        (set(range(1, 22, 2)), False),  # eleven do not
        (set(range(1, 32)), False),
    ],
)
def test_missing_days_of_a_temperature_month(lost: set[int], there: bool) -> None:
    found = one_may(lost)
    for name in ("air_temp_mean", "air_temp_max", "air_temp_min"):
        assert (found[f"{name}_c"] is not None) is there
        assert found[f"{name}_years"] == int(there)


def test_a_run_is_counted_within_its_month() -> None:
    days = [d for d in year_days(2001, 2001) if not date(2001, 4, 27) <= d <= date(2001, 5, 4)]
    found = derive(record(days), 2001, 2001)
    assert found[4]["air_temp_mean_years"] == found[5]["air_temp_mean_years"] == 1


def test_a_day_with_little_of_its_temperatures_is_missing() -> None:
    found = one_may(set(), air_temp_coverage=lambda d: 0.7 if d.day <= 5 else 1.0)
    assert found["air_temp_mean_c"] is None
    assert found["rain_mm"] == 31


def test_a_rain_month_needs_every_day() -> None:
    assert one_may(set())["rain_mm"] == 31
    found = one_may({12})
    assert found["rain_mm"] is None
    assert found["rain_years"] == 0
    assert found["reason"].startswith("rain from 0 of 1 years; 80% of the years are needed")


def test_a_partly_recorded_rain_day_is_missing() -> None:
    found = one_may(set(), rain_coverage=lambda d: 0.9 if d.day == 4 else 1.0)
    assert found["rain_mm"] is None


@pytest.mark.parametrize(
    ("lost", "total_day", "since", "rain_mm"),
    [
        ({12, 13, 14}, 15, date(2001, 5, 12), 32.0),  # bridged: 5 mm on the 15th
        ({12, 13, 14}, 15, date(2001, 5, 13), None),  # the 12th is in no total
        ({12, 14}, 15, date(2001, 5, 12), 33.0),
        ({31}, 30, date(2001, 5, 30), None),  # nothing later in the month
        (set(), 1, date(2001, 4, 29), None),  # the total is not the month's alone
    ],
)
def test_a_gap_within_a_later_total_is_no_gap(lost, total_day, since, rain_mm) -> None:
    found = one_may(
        lost,
        rain_mm=lambda d: 5.0 if (d.month, d.day) == (5, total_day) else 1.0,
        rain_since_day=lambda d: since if (d.month, d.day) == (5, total_day) else d,
    )
    assert found["rain_mm"] == rain_mm


@pytest.mark.parametrize(("lost_years", "there"), [(6, True), (7, False)])
def test_four_in_five_years_are_needed(lost_years: int, there: bool) -> None:
    days = [
        d
        for d in year_days(1981, 2010)
        if not (d.month == 5 and d.day <= 5 and d.year < 1981 + lost_years)
    ]
    found = derive(record(days), 1981, 2010)
    assert found[5]["rain_years"] == found[5]["air_temp_mean_years"] == 30 - lost_years
    assert (found[5]["rain_mm"] is not None) is there
    assert (found[5]["air_temp_mean_c"] is not None) is there
    assert found[5]["partial"] is True
    assert found[5]["coverage"] == pytest.approx((30 - lost_years) / 30)
    assert f"rain from {30 - lost_years} of 30 years" in found[5]["reason"]
    assert found[6]["partial"] is False
    assert found[6]["reason"] is None


def test_the_period_is_what_the_farm_says_or_the_record() -> None:
    days = record(year_days(1990, 1999), rain_mm=lambda d: float(d.year - 1990))
    assert derive(days, 1992, 1994)[1]["rain_mm"] == pytest.approx(31 * 3)
    whole = derive(days, None, None)[1]
    assert whole["rain_mm"] == pytest.approx(31 * 4.5)
    assert (whole["from_year"], whole["to_year"]) == (1990, 1999)


def test_a_rain_gauge_alone_is_not_partial() -> None:
    none = dict.fromkeys(("air_temp_mean_c", "air_temp_max_c", "air_temp_min_c"), lambda d: None)
    found = derive(record(year_days(2001, 2001), **none, air_temp_coverage=0.0), 2001, 2001)[1]
    assert (found["partial"], found["coverage"], found["reason"]) == (False, 1, None)
    assert found["air_temp_mean_c"] is None


def test_normals_as_given() -> None:
    given_rows = [
        {"month": m, "rain_mm": 10.0 * m, "air_temp_mean_c": m - 6.0, "years": 30}
        for m in range(1, 12)
    ]
    found = frames.by_key(
        normal_month.derive(
            frames.rows("weather_day", []), frames.rows("normal_given", given_rows), frames.farm()
        ),
        "normal_month",
    )
    assert (found[4]["rain_mm"], found[4]["rain_years"], found[4]["origin"]) == (40, 30, "given")
    assert (found[4]["partial"], found[4]["reason"]) == (False, None)
    assert found[12]["rain_mm"] is None
    assert found[12]["reason"] == "no normal rain was given for this month"


def test_nothing_to_make_them_of() -> None:
    none = frames.rows("weather_day", [])
    assert normal_month.derive(none, GIVEN, frames.farm().clear()).is_empty()
    found = derive(none, 1991, 2020)
    assert all(row["rain_mm"] is None and row["rain_years"] == 0 for row in found.values())
    assert "there is no record" in derive(none, None, None)[1]["reason"]


@given(st.sets(st.integers(1, 31), max_size=14), st.randoms(use_true_random=False))
@settings(max_examples=25, deadline=None)
def test_any_lost_days_and_any_order(lost: set[int], random) -> None:
    """The rule, told again in plain Python, and order of the days."""
    days = [d for d in year_days(2001, 2001) if not (d.month == 5 and d.day in lost)]
    random.shuffle(days)
    found = derive(record(days), 2001, 2001)[5]
    row = "".join("x" if d in lost else "." for d in range(1, 32))
    bad = row.count("x") >= 11 or "xxxxx" in row
    assert (found["air_temp_mean_c"] is None) is bad
    assert (found["rain_mm"] is None) is bool(lost)


def test_every_month_has_its_own_length() -> None:
    found = derive(record(year_days(2001, 2004)), 2001, 2004)
    for month in range(1, 13):
        lengths = [calendar.monthrange(y, month)[1] for y in range(2001, 2005)]
        assert found[month]["rain_mm"] == pytest.approx(sum(lengths) / 4)


def test_days_of_other_stations_and_years_do_not_count() -> None:
    days = record(year_days(2001, 2001))
    other = record(year_days(2001, 2001), rain_mm=99.0).with_columns(station=pl.lit("other"))
    before = record([date(2000, 5, 1) + timedelta(days=i) for i in range(31)], rain_mm=50.0)
    assert derive(pl.concat([days, other, before]), 2001, 2001)[5]["rain_mm"] == 31


def test_missing_months_against_xclim() -> None:
    """MissingWMO of xclim 0.62.0 on months drawn at random, its answers kept in a file."""
    text = (Path(__file__).parent / "data" / "missing_days.txt").read_text("utf-8")
    told = [line.split() for line in text.splitlines() if not line.startswith("#")]
    lost = {
        date(*map(int, month.split("-")), day)
        for month, days, _ in told
        for day, mark in enumerate(days, 1)
        if mark == "x"
    }
    kept = record([d for d in year_days(2001, 2030) if d not in lost])
    by_year = {year: derive(kept, year, year) for year in range(2001, 2031)}
    assert len(told) > 200
    assert {verdict for *_, verdict in told} == {"there", "missing"}
    for name, days, verdict in told:
        year, month = map(int, name.split("-"))
        years = by_year[year][month]["air_temp_mean_years"]
        assert years == (1 if verdict == "there" else 0), (name, days)


def test_a_day_with_more_rain_than_a_year_makes_no_normal() -> None:
    days = record(year_days(1991, 2020))
    wrong = pl.when(pl.col("day") == date(2005, 6, 3)).then(1361.0).otherwise("rain_mm")
    found = derive(days.with_columns(rain_mm=wrong), 1991, 2020)
    assert (found[6]["rain_mm"], found[6]["rain_years"]) == (30.0, 29)
    assert found[7]["rain_years"] == 30
