"""A station's gauge against the one that is read by hand."""

from collections.abc import Callable
from datetime import date
from typing import Any

import polars as pl
import pytest

from tests.transforms import frames
from transforms.health.methods import by_hand

DAYS = frames.days("2023-05-01", 92)


def check(
    own: Callable[[int], float | None], hand: dict[int, float], over_d: int = 1, **weather: Any
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Own rain by number of the day, and readings by hand."""
    day = [
        {
            "station": "a",
            "day": on,
            "rain_mm": own(n),
            "rain_coverage": 0.0 if own(n) is None else 1.0,
        }
        | {"rain_since_day": on, "air_temp_min_c": 9.0}
        | weather
        for n, on in enumerate(DAYS)
    ]
    read = [
        {"station": "a", "day": DAYS[n], "hand_mm": mm, "hand_since_day": DAYS[n - over_d + 1]}
        for n, mm in hand.items()
    ]
    return by_hand.rain(
        frames.rows("weather_day", day), frames.rows("weather_used_day", read), frames.farm()
    )


def spans(found: pl.DataFrame) -> list[tuple[date, date, float]]:
    return found.select("from_day", "to_day", pl.col("ratio").round(3)).rows()


def every(step: int, mm: float) -> dict[int, float]:
    return dict.fromkeys(range(0, len(DAYS), step), mm)


def test_weeks_in_which_the_station_catches_half_are_found() -> None:
    found, seen = check(lambda n: 4.0 if n % 4 == 0 else 0.0, every(4, 8.0))
    assert spans(found) == [(DAYS[0], DAYS[88], 0.5)]
    assert set(found["compared_with"]) == {"hand gauge"}
    assert seen["checked_to"].to_list() == [DAYS[88]]


@pytest.mark.parametrize(
    ("own", "hand"),
    [
        (7.0, every(4, 8.0)),  # within an eighth
        (0.5, every(4, 1.0)),  # hardly any rain
        (1.0, {0: 8.0, 4: 8.0, 8: 8.0}),  # three readings
    ],
)
def test_what_may_be_chance_is_not(own: float, hand: dict[int, float]) -> None:
    found, _ = check(lambda n: own if n % 4 == 0 else 0.0, hand)
    assert found.is_empty()


def test_one_storm_is_no_disagreement_of_weeks() -> None:
    found, _ = check(lambda n: 9.0 if n % 4 == 0 else 0.0, every(4, 8.0) | {8: 90.0})
    assert found.is_empty()


def test_days_the_station_lacks_and_days_with_snow_are_not_compared() -> None:
    found, seen = check(lambda n: None if n % 4 == 0 else 0.0, every(4, 8.0))
    assert found.is_empty()
    assert seen.is_empty()
    found, seen = check(lambda n: 1.0, every(4, 8.0), air_temp_min_c=-3.0)
    assert seen.is_empty()
    found, seen = check(lambda n: 1.0, every(4, 8.0), air_temp_min_c=-3.0, gauge_heated=True)
    assert found.height == 1
    assert check(lambda n: 1.0, every(4, 8.0), air_temp_min_c=None)[0].height == 1  # summer


def test_totals_of_several_days_are_compared_with_the_same_days() -> None:
    hand = dict.fromkeys(range(3, len(DAYS), 4), 8.0)
    assert check(lambda n: 2.0, hand, over_d=4)[0].is_empty()
    assert spans(check(lambda n: 4.0, hand, over_d=4)[0]) == [(DAYS[3], DAYS[91], 2.0)]


def test_three_weeks_of_nothing_are_found_between_good_ones() -> None:
    own = lambda n: 0.0 if n % 4 or 30 <= n < 51 else 8.0  # noqa: E731
    ((first, last, ratio),) = spans(check(own, every(4, 8.0))[0])
    assert first <= DAYS[32]
    assert DAYS[44] <= last <= DAYS[60]
    assert ratio < 0.5
