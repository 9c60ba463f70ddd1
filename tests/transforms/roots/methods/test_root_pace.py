from datetime import date, timedelta

import numpy as np
import polars as pl

from schemas import generated
from schemas.catalogue import TABLES
from tests.transforms.frames import days, rows, season
from transforms.roots.methods import root_pace

SEASON = rows("season", [season("2024-05-01", "2024-08-28", "2024-05-10")])
DEPTHS = pl.DataFrame({"field": "f", "season": 2024, "depth_cm": [5.0, 46.0, 900.0]}).cast(
    {"season": pl.Int64}
)


def weather(temps: np.ndarray) -> pl.DataFrame:
    calendar = days("2024-05-01", len(temps))
    return rows(
        "weather_day",
        [
            {
                "station": "s",
                "day": d,
                "field": "f",
                "air_temp_mean_c": None if np.isnan(t) else float(t),
            }
            for d, t in zip(calendar, temps, strict=True)
        ],
    )


def possible(temps: np.ndarray) -> list[date | None]:
    found = root_pace.first_possible(DEPTHS, SEASON, weather(temps))
    return found.sort("depth_cm")["possible_from"].to_list()


def test_no_root_before_emergence_nor_before_the_fastest_front() -> None:
    shallow, deep, deepest = possible(np.full(120, 10.0))
    assert shallow == date(2024, 5, 10)
    # 2.3 cm a day at 10 degC: 46 cm on the twentieth day
    assert deep == date(2024, 5, 20)
    # deeper than the season's heat can bring any root: nothing but emergence bounds it
    assert deepest == date(2024, 5, 10)


def test_cold_days_bring_no_root_and_unknown_days_bring_the_most() -> None:
    cold = np.concatenate([np.full(30, -5.0), np.full(90, 10.0)])
    assert possible(cold)[1] == date(2024, 5, 20) + timedelta(days=30)
    unknown = np.concatenate([np.full(5, np.nan), np.full(115, 10.0)])
    assert possible(unknown)[1] == date(2024, 5, 15)


def test_without_weather_every_day_is_warm() -> None:
    deep = DEPTHS.with_columns(depth_cm=pl.lit(92.0))
    found = root_pace.first_possible(deep, SEASON, generated.empty(TABLES["weather_day"]))
    assert set(found["possible_from"]) == {date(2024, 5, 20)}
