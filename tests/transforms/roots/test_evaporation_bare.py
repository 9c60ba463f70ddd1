from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest

from schemas import generated
from schemas.catalogue import TABLES
from tests.transforms.frames import check, days, irrigation, rows, season
from tests.transforms.ground import FIRST, rain
from tests.transforms.roots.layers import N, evaporation, falling, water
from transforms.roots import evaporation_bare

BARE = 24  # days to emergence


def bare(*seasons: dict[str, object], rained: int | None = None) -> pl.DataFrame:
    """Both strips fall by 0.6 mm a day of 1 mm that evaporates."""
    wet = np.zeros(N)
    if rained is not None:
        wet[rained] = 8.0
    layers = {(strip, d): falling(0.3) for strip in ("treated", "check") for d in (10.0, 30.0)}
    found = evaporation_bare.derive(
        water(layers),
        generated.empty(TABLES["soil_pulse_day"]),
        rain(wet),
        irrigation(),
        evaporation(np.ones(N)),
        rows("season", list(seasons)),
    )
    check(found, "evaporation_bare")
    return found


def test_bare_days_are_summed_at_the_surface() -> None:
    row = bare(season("2024-04-15", "2024-08-01", emerged="2024-04-25")).row(0, named=True)
    assert (row["depth_cm"], row["day"]) == (10.0, date(2024, 4, 2))  # no day before the first
    assert row["days"] == 2 * (BARE - 1)
    assert row["evaporation_mm"] == pytest.approx(row["days"] * 1.0)
    assert row["fall_mm"] == pytest.approx(row["days"] * 0.6)


def test_rain_and_the_day_after_are_left_out() -> None:
    dry = bare(season("2024-04-15", "2024-08-01", emerged="2024-04-25"))
    wet = bare(season("2024-04-15", "2024-08-01", emerged="2024-04-25"), rained=10)
    assert wet["days"].item() == dry["days"].item() - 4


def test_a_harvest_parts_the_years() -> None:
    first = date.fromisoformat(FIRST)
    found = bare(season("2023-05-01", (first + timedelta(days=20)).isoformat()))
    assert found.height == 1  # up to the harvest a crop stands
    assert found["day"].item() == first + timedelta(days=21)
    assert found["days"].item() == 2 * (N - 21)
    both = bare(
        season(
            "2023-05-01", days(FIRST, 21)[-1].isoformat(), emerged=days(FIRST, 16)[-1].isoformat()
        )
    )
    assert both["days"].to_list() == [2 * 14, 2 * (N - 21)]


def test_empty() -> None:
    names = [
        "soil_water_day",
        "soil_pulse_day",
        "weather_used_day",
        "irrigation_day",
        "evaporation_day",
        "season",
    ]
    found = evaporation_bare.derive(*(generated.empty(TABLES[n]) for n in names))
    check(found, "evaporation_bare")
