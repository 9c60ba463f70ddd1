from datetime import date

import polars as pl
import pytest

from tests.transforms import frames
from transforms.methods import cold


def snow(depth_cm: list[float | None], temp_c: list[float | None], first: str) -> list[bool | None]:
    """Whether snow lies on each day of a station, by depth and mean air temperature."""
    days = frames.days(first, len(depth_cm))
    items = [
        {"station": "a", "day": day, "snow_depth_cm": depth, "air_temp_mean_c": temp}
        for day, depth, temp in zip(days, depth_cm, temp_c, strict=True)
    ]
    found = cold.with_snow(frames.rows("weather_day", items), frames.farm()).sort("day")
    return found["snow"].to_list()


def test_noise_of_a_depth_sensor_is_no_snow_in_any_season() -> None:
    noise: list[float | None] = [0.1, 0.9, 0.4, 1.9]
    assert not any(snow(noise, [18.0] * 4, "2024-07-01"))
    assert not any(snow(noise, [-18.0] * 4, "2024-01-01"))


def test_stubble_or_a_crop_under_the_sensor_is_no_snow() -> None:
    assert not any(snow([60.0] * 20, [17.0] * 20, "2024-07-01"))


def test_snow_lies_in_the_cold_and_through_days_of_thaw() -> None:
    assert all(snow([5.0] * 3, [-4.0] * 3, "2024-01-01"))
    thaw: list[float | None] = [-6.0] * 5 + [9.0, 9.0]
    assert all(snow([30.0] * 7, thaw, "2024-03-01"))
    # A first snowfall after a warm week.
    assert snow([0.0] * 6 + [8.0], [12.0] * 6 + [0.5], "2024-10-01") == [False] * 6 + [True]


def test_where_no_temperature_is_known_the_season_decides() -> None:
    assert snow([8.0], [None], "2024-01-10") == [True]
    assert snow([8.0], [None], "2024-07-10") == [False]
    assert snow([None], [None], "2024-01-10") == [None]


@pytest.mark.parametrize(
    ("latitude", "cold_months"),
    [(50.0, {1, 2, 3, 4, 11, 12}), (-33.0, {5, 6, 7, 8, 9, 10}), (10.0, set())],
)
def test_the_cold_half_of_the_year_goes_by_the_hemisphere(
    latitude: float, cold_months: set[int]
) -> None:
    days = pl.DataFrame({"day": [date(2024, month, 15) for month in range(1, 13)]})
    found = days.filter(cold.cold_half(pl.col("day"), frames.farm(latitude_deg=latitude)))
    assert {day.month for day in found["day"]} == cold_months
