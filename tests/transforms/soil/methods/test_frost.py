from collections.abc import Sequence
from datetime import date, timedelta

import polars as pl
import pytest

from tests.transforms import frames
from transforms.soil.methods import frost

FIRST = date(2023, 9, 1)


def may_freeze(
    temps: Sequence[float | None],
    depth_cm: float = 10.0,
    station_strip: str = "check",
    first: date = FIRST,
) -> list[tuple[bool, str]]:
    """``may_freeze`` and by what, day by day, for a sensor of the check strip."""
    days = [first + timedelta(days=n) for n in range(len(temps))]
    place = {"field": "f", "strip": "check"}
    rows = pl.DataFrame([{**place, "depth_cm": depth_cm, "day": day} for day in days])
    weather = [
        {"station": "a", "field": "f", "strip": station_strip, "day": day, "air_temp_mean_c": temp}
        for day, temp in zip(days, temps, strict=True)
    ]
    found = frost.may_freeze(rows, frames.rows("weather_day", weather), frames.farm()).sort("day")
    return list(found.select("may_freeze", "frost_by").iter_rows())


def test_a_warm_fall_is_no_frost_and_a_november_freeze_may_be() -> None:
    temps = [12.0] * 70 + [-6.0] * 20
    found = may_freeze(temps)
    assert {by for _, by in found} == {"air temperature"}
    assert not any(frozen for frozen, _ in found[:70])
    # At 10 cm within four days.
    assert all(frozen for frozen, _ in found[74:])


def test_depth_damps_a_cold_night_and_delays_a_freeze() -> None:
    night = [10.0] * 30 + [-3.0] + [10.0] * 10
    assert not any(frozen for frozen, _ in may_freeze(night, 30.0))
    freeze = [10.0] * 30 + [-8.0] * 60
    first = {d: [f for f, _ in may_freeze(freeze, d)].index(True) for d in (10.0, 30.0, 100.0)}
    assert first[10.0] < first[30.0] < first[100.0]


def test_it_may_be_frozen_until_spring_has_gone_down_to_it() -> None:
    temps = [-10.0] * 60 + [3.0] * 30 + [9.0] * 60
    found = [frozen for frozen, _ in may_freeze(temps, 20.0)]
    assert all(found[:90])  # three degrees thaw no soil that was frozen for a winter
    assert not any(found[-40:])


def test_the_field_s_other_station_knows_the_air_too() -> None:
    cold = may_freeze([-9.0] * 30, station_strip="treated")
    assert cold[-1] == (True, "air temperature")


@pytest.mark.parametrize(("first", "frozen"), [(date(2024, 1, 5), True), (date(2024, 7, 5), False)])
def test_without_air_temperature_the_season_decides(first: date, frozen: bool) -> None:
    rows = pl.DataFrame({"field": ["f"], "strip": ["check"], "depth_cm": [10.0], "day": [first]})
    found = frost.may_freeze(rows, frames.rows("weather_day", []), frames.farm())
    assert found.select("may_freeze", "frost_by").row(0) == (frozen, "season")


def test_air_of_long_ago_says_nothing() -> None:
    found = may_freeze([15.0] * 30 + [None] * 100)
    assert found[39] == (False, "air temperature")
    assert found[41] == (False, "season")
    assert found[-1] == (True, "season")  # January


def test_each_winter_is_told_from_its_own_midsummer_on() -> None:
    """No frost of the year before is carried on, and a record cut off there says the same."""
    first = date(2024, 7, 1)
    cold = [-10.0] * (first - FIRST).days
    later = [3.0] * 150 + [-10.0] * 60
    for depth_cm in (10.0, 100.0):
        whole = may_freeze(cold + later, depth_cm)
        assert whole[len(cold) - 1][0]
        assert not any(frozen for frozen, _ in whole[len(cold) :][:150])
        assert may_freeze(later, depth_cm, first=first) == whole[len(cold) :]
        assert whole[-1][0]
