from datetime import date, timedelta
from typing import Any

import numpy as np
import polars as pl
import pytest

from schemas import generated
from schemas.catalogue import TABLES
from tests.transforms.frames import farm, rows
from tests.transforms.health.two_strips import made
from transforms.health.methods import sensors

FIRST, N = date(2022, 7, 1), 1000
DAYS = [FIRST + timedelta(days=i) for i in range(N)]
JULY_1 = 365  # of 2023
WINTER = DAYS.index(date(2024, 1, 10))


def snow(resolution: float = 0.1, **changes: Any) -> pl.DataFrame:
    """Depths of snow of three winters, zero in summer; ``stuck`` and ``gone`` are spans of days."""
    rng = np.random.default_rng(4)
    depth, out = 0.0, []
    for i, day in enumerate(DAYS):
        warm = -12.0 * np.cos(2 * np.pi * (day.timetuple().tm_yday - 15) / 365) + 3
        fell = rng.gamma(1.0, 3.0) if rng.random() < 0.3 and warm < 0 else 0.0
        depth = max(0.0, depth * 0.985 + fell - max(0.0, warm) * 0.5)
        at = changes.get("stuck", range(0))
        shown = changes.get("at", 31.0) if i in at else round(depth / resolution) * resolution
        shown += changes.get("bare", 0.0)
        gone = i in changes.get("gone", range(0))
        out.append(
            {
                "day": day,
                "air_temp_mean_c": warm,
                "snow_depth_cm": None if gone else shown,
                "air_temp_coverage": 1.0,
            }
        )
    return rows("weather_day", out, station="s", field="a", strip="check", readings=24)


def found(days: pl.DataFrame) -> list[tuple[str, date, date]]:
    names = (
        *("soil_day", "soil_quality_day", "probe_spell", "sensor", "delivery", "quarantine"),
        *("delivery_instrument", "sun_day", "normal_day", "weather_used_day", "flagged_reading"),
        *("do_not_use", "irrigation_day", "water_meter_day"),
    )
    spell = {"station": "s", "from_day": FIRST, "field": "a", "strip": "check"}
    frame = made(
        {
            "weather_day": days,
            "station_spell": rows("station_spell", [spell]),
            "farm": farm(),
            **{name: generated.empty(TABLES[name]) for name in names},
        }
    )
    of = frame.filter(pl.col("part") == "snow depth", pl.col("state") == "found")
    return of.select("finding", "from_day", "to_day").rows()


@pytest.mark.parametrize("resolution", [0.1, 1.0, 2.54])
@pytest.mark.parametrize("bare", [0.0, 3.0])
def test_snow_that_rests_and_bare_ground_are_not_stuck(resolution: float, bare: float) -> None:
    assert found(snow(resolution, bare=bare)) == []


@pytest.mark.parametrize("begin", [JULY_1, WINTER])
def test_one_depth_for_a_month_is_stuck_in_winter_and_in_summer(begin: int) -> None:
    stuck = found(snow(stuck=range(begin, begin + 40)))
    assert [finding for finding, *_ in stuck] == ["stuck"]
    _, first, last = stuck[0]
    assert abs((first - DAYS[begin]).days) <= 1
    assert last == DAYS[begin + 39]


def test_a_coarse_depth_needs_longer_by_its_own_habit() -> None:
    short = snow(2.54, stuck=range(WINTER, WINTER + 12))
    assert found(short) == []
    assert found(snow(0.1, stuck=range(WINTER, WINTER + 12))) != []


def test_no_snow_depth_in_summer_is_no_finding_and_in_winter_it_is() -> None:
    may = DAYS.index(date(2024, 5, 20))
    summer = snow(gone=range(may, N)).filter(pl.col("day") < date(2024, 9, 1))
    assert found(summer) == []
    winter = snow(gone=range(may, N)).filter(pl.col("day") < date(2024, 12, 15))
    ((finding, since, last),) = found(winter)
    assert (finding, last) == ("no values", date(2024, 12, 14))
    assert since.month in (9, 10)  # the first day that was cold enough for snow


def test_days_with_snow_are_what_was_checked() -> None:
    _, seen = sensors.snow(snow(), farm())
    assert 300 < seen["days"].item() < 500
