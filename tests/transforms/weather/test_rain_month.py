"""Rain against normal by month: whole, partial, bridged and running months."""

from datetime import date, timedelta
from typing import Any

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.transforms import frames
from tests.transforms.weather.open_record import open_record
from tests.transforms.weather.rain_frames import (
    LENGTHS,
    NORMALS,
    SEASONS,
    SPELL,
    flat_normals,
    used,
    weather,
)
from transforms.weather import normal_day, normal_month, rain_day, rain_month

MONTHS = frames.rows(
    "normal_month", [{"month": m, "rain_mm": float(LENGTHS[m - 1])} for m in range(1, 13)]
)


def derive(items: list[dict[str, Any]], normals: pl.DataFrame = NORMALS) -> pl.DataFrame:
    days = rain_day.derive(used(items, normals=normals), SPELL, normals, SEASONS)
    found = rain_month.derive(days, MONTHS if normals.height else frames.rows("normal_month", []))
    frames.check(found, "rain_month")
    return found


def keyed(items: list[dict[str, Any]], **more: Any) -> dict[tuple[int, int], dict[str, Any]]:
    return {(r["year"], r["month"]): r for r in derive(items, **more).iter_rows(named=True)}


def test_whole_months() -> None:
    found = keyed(weather(frames.days("2023-01-01", 365), 2.0))
    assert len(found) == 12
    june = found[2023, 6]
    assert (june["field"], june["strip"]) == ("north", "check")
    assert june["rain_mm"] == pytest.approx(60)
    assert june["normal_mm"] == june["month_days"] == june["days_whole"] == 30
    assert june["normal_recorded_mm"] == pytest.approx(30)
    assert june["departure_mm"] == pytest.approx(30)
    assert june["of_normal_pct"] == pytest.approx(200)
    assert (june["coverage"], june["partial"], june["reason"]) == (1, False, None)
    assert june["year_to_date_mm"] == pytest.approx(2 * 181)
    assert june["year_to_date_normal_mm"] == pytest.approx(181)
    assert june["season_to_date_mm"] == pytest.approx(2 * (22 + 30))
    august = found[2023, 8]  # harvest on the 20th: the season's sum as of that day
    assert august["season"] == 2023
    assert august["season_to_date_mm"] == pytest.approx(2 * (22 + 30 + 31 + 20))


def test_a_month_with_lost_days_is_compared_with_the_normal_of_the_days_present() -> None:
    days = [d for d in frames.days("2023-06-01", 30) if d.day not in (3, 4, 5)]
    june = keyed(weather(days, 2.0))[2023, 6]
    assert june["rain_mm"] == pytest.approx(54)
    assert june["normal_mm"] == 30
    assert june["normal_recorded_mm"] == pytest.approx(27)
    assert june["of_normal_pct"] == pytest.approx(200)
    assert june["coverage"] == pytest.approx(0.9)
    assert june["days_whole"] == 27
    assert june["partial"] is True
    assert june["reason"] == "3 of 30 days lack rain or part of it"


def test_bridged_days_count_as_present() -> None:
    days = [d for d in frames.days("2023-06-01", 30) if d.day not in (3, 4, 5)]
    items = weather(days, 2.0)
    items[2] |= {"rain_mm": 8.0, "rain_since_day": date(2023, 6, 3)}
    june = keyed(items)[2023, 6]
    assert june["rain_mm"] == pytest.approx(60)
    assert june["normal_recorded_mm"] == pytest.approx(30)
    assert (june["coverage"], june["days_whole"], june["partial"]) == (1, 30, False)


def test_a_total_over_the_months_border_makes_both_partial() -> None:
    days = [
        d for d in frames.days("2023-06-01", 61) if d not in (date(2023, 6, 29), date(2023, 6, 30))
    ]
    items = weather(days, 2.0)
    first = next(i for i in items if i["day"] == date(2023, 7, 1))
    first |= {"rain_mm": 6.0, "rain_since_day": date(2023, 6, 29)}
    found = keyed(items)
    june, july = found[2023, 6], found[2023, 7]
    assert june["rain_mm"] == pytest.approx(56)
    assert june["normal_recorded_mm"] == pytest.approx(28)
    assert june["reason"] == "2 of 30 days lack rain or part of it"
    assert july["rain_mm"] == pytest.approx(66)
    assert july["normal_recorded_mm"] == pytest.approx(33)
    assert july["reason"] == "the total of 2023-07-01 is of the days since 2023-06-29"
    assert june["partial"] is july["partial"] is True
    assert (june["of_normal_pct"], july["of_normal_pct"]) == pytest.approx((200, 200))
    assert june["coverage"] == pytest.approx(28 / 30)
    assert july["coverage"] == 1


def test_the_running_month_and_the_first() -> None:
    found = keyed(weather(frames.days("2023-05-20", 30), 2.0))
    assert found[2023, 5]["reason"] == "the record begins on 2023-05-20"
    june = found[2023, 6]
    assert june["reason"] == "the record ends on 2023-06-18"
    assert june["coverage"] == pytest.approx(18 / 30)
    assert june["of_normal_pct"] == pytest.approx(200)


def test_snow_is_summed_apart() -> None:
    items = weather(
        frames.days("2023-11-01", 30), 1.0, air_temp_mean_c=lambda d: -2.0 if d.day <= 4 else 3.0
    )
    november = keyed(items)[2023, 11]
    assert (november["may_be_snow"], november["may_be_snow_mm"]) == (True, 4)
    items = weather(frames.days("2023-06-01", 30), 1.0)
    assert keyed(items)[2023, 6]["may_be_snow"] is None  # no temperature: not evaluated


def test_without_normals_or_rain() -> None:
    june = keyed(weather(frames.days("2023-06-01", 30), 2.0), normals=flat_normals().clear())[
        2023, 6
    ]
    assert june["rain_mm"] == 60
    assert june["departure_mm"] is june["of_normal_pct"] is june["normal_recorded_mm"] is None
    assert june["reason"] == "there is no normal for the month"
    dry = keyed(weather(frames.days("2023-06-01", 30), lambda d: None))[2023, 6]
    assert dry["rain_mm"] is dry["departure_mm"] is None
    assert (dry["coverage"], dry["partial"]) == (0, True)


def test_no_days() -> None:
    assert derive([]).is_empty()


def test_the_open_record_against_itself() -> None:
    """Champion, Nebraska (package aquacrop): thirty years' departures from their own normal are 0."""
    farm = frames.farm(normal_station="long", normal_from=1982, normal_to=2011)
    record = open_record().filter(pl.col("day").dt.year() <= 2011)
    months = normal_month.derive(record, frames.rows("normal_given", []), farm)
    days = rain_day.derive(
        used(record, SPELL.clear()), SPELL.clear(), normal_day.derive(months), SEASONS.clear()
    )
    found = rain_month.derive(days, months)
    assert found.height == 360
    assert not found["partial"].any()
    by_month = found.group_by("month").agg(pl.col("departure_mm").mean())
    assert by_month["departure_mm"].abs().max() < 1e-9
    # One month straight from the file, against the normal measured beforehand (77.35 mm).
    july = found.filter((pl.col("year") == 1993) & (pl.col("month") == 7)).row(0, named=True)
    own = record.filter(pl.col("day").dt.strftime("%Y-%m") == "1993-07")["rain_mm"].sum()
    assert july["rain_mm"] == pytest.approx(own)
    assert july["of_normal_pct"] == pytest.approx(100 * own / 77.35, rel=1e-3)


@given(st.lists(st.booleans(), min_size=40, max_size=75), st.randoms(use_true_random=False))
@settings(max_examples=15, deadline=None)
def test_months_are_the_sums_of_their_days_in_any_order(kept, random) -> None:
    days = [date(2023, 4, 1) + timedelta(days=i) for i, keep in enumerate(kept) if keep]
    items = weather(days, lambda d: float(d.day % 3))
    found = keyed(items)
    shuffled = list(items)
    random.shuffle(shuffled)
    assert derive(shuffled).equals(derive(items))
    for (year, month), row in found.items():
        own = [d for d in days if (d.year, d.month) == (year, month)]
        assert row["days_whole"] == len(own)
        assert row["coverage"] == pytest.approx(len(own) / row["month_days"])
        assert row["partial"] is (len(own) < row["month_days"])
        if own:
            assert row["rain_mm"] == pytest.approx(sum(d.day % 3 for d in own))
            assert row["normal_recorded_mm"] == pytest.approx(len(own))


def test_a_month_with_doubtful_rain_is_partial_and_says_so() -> None:
    days = frames.days("2023-06-01", 30)
    row = keyed(weather(days, lambda d: 1361.0 if d == days[3] else 1.0))[2023, 6]
    assert (row["rain_mm"], row["coverage"], row["doubtful_d"]) == (1390.0, 1.0, 1)
    assert row["partial"]
    assert row["reason"] == "days with rain that is hard to believe: 1"
