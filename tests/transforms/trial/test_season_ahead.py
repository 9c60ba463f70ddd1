"""season_ahead: expected days by the farm's other seasons, over New Year, by latitude, never its own."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from tests.transforms.frames import by_key, check, farm, rows
from transforms.trial import season_ahead

STAGES = ("initial", "development", "mid", "late")


def listed(crop: str, *days: int) -> dict[str, Any]:
    stages = {f"stage_{stage}_d": d for stage, d in zip(STAGES, days, strict=True)}
    return {"crop": crop, "base_temp_c": 0.0, "upper_temp_c": 35.0, **stages}


CROPS = rows(
    "crop", [listed("spring wheat", 20, 25, 60, 30), listed("winter wheat", 160, 75, 75, 25)]
)


def crop_season(
    year: int, seeded: str, harvested: str | None, crop: str = "spring wheat", field: str = "Home"
) -> dict[str, Any]:
    days = {"seeded": date.fromisoformat(seeded)}
    if harvested:
        days["harvested"] = date.fromisoformat(harvested)
    return {"field": field, "season": year, "crop": crop, **days}


def derive(
    seasons: list[dict[str, Any]], plans: list[dict[str, Any]] | None = None, **place: Any
) -> dict[tuple[Any, ...], dict[str, Any]]:
    out = season_ahead.derive(
        season=rows("season", seasons),
        planned_season=rows("planned_season", plans or []),
        crop=CROPS,
        farm=farm(**place),
    )
    check(out, "season_ahead")
    return by_key(out, "season_ahead")


THREE = [
    crop_season(2022, "2022-05-01", "2022-08-20"),
    crop_season(2023, "2023-05-11", "2023-08-30"),
    crop_season(2024, "2024-05-05", "2024-08-26"),
]


def test_the_next_season_is_as_the_others_were() -> None:
    """Lengths 111, 111 and 113 days; harvests on days 232, 242 and 239 of the year, by hand."""
    found = derive(THREE)["Home", 2025]
    assert (found["seeded"], found["crop"], found["planned"]) == (None, None, False)
    assert found["harvest_expected"] == date(2025, 8, 26)  # day 238
    assert found["seeding_expected"] == date(2025, 8, 26) - timedelta(days=112)
    assert (found["expected_from"], found["seasons"], found["partial"]) == ("farm", 3, False)


def test_a_seasons_own_days_never_enter_what_is_expected_of_it() -> None:
    late = [*THREE[:2], crop_season(2024, "2024-06-20", "2024-10-30")]
    assert (
        derive(late)["Home", 2024]["harvest_expected"]
        == derive(THREE)["Home", 2024]["harvest_expected"]
    )
    assert (
        derive(late)["Home", 2023]["harvest_expected"]
        != derive(THREE)["Home", 2023]["harvest_expected"]
    )


def test_harvests_about_new_year_have_their_mean_there_and_not_in_summer() -> None:
    south = [
        crop_season(2022, "2022-06-01", "2022-12-28"),
        crop_season(2024, "2023-06-03", "2024-01-03"),
        crop_season(2025, "2024-06-02", "2025-01-01"),
    ]
    found = derive(south, latitude_deg=-34.0)
    assert found["Home", 2026]["harvest_expected"] == date(2025, 12, 31)
    assert abs((found["Home", 2026]["seeding_expected"] - date(2025, 6, 1)).days) <= 3


def test_a_planned_winter_crop_is_seeded_in_the_fall_before() -> None:
    winter = crop_season(2023, "2022-09-10", "2023-08-10", "winter wheat", "West")
    plan = {"field": "Home", "season": 2025, "crop": "winter wheat"}
    found = derive([*THREE, winter], [plan])["Home", 2025]
    assert (found["planned"], found["expected_from"], found["seasons"]) == (True, "crop", 1)
    assert abs((found["seeding_expected"] - date(2024, 9, 10)).days) <= 1
    assert abs((found["harvest_expected"] - date(2025, 8, 10)).days) <= 1


@pytest.mark.parametrize(
    ("latitude", "crop", "seeded"),
    [
        (50.0, "spring wheat", date(2025, 5, 7)),
        (50.0, "winter wheat", date(2024, 9, 12)),
        (-34.0, "spring wheat", date(2025, 5, 2)),  # sown in May, over winter
    ],
)
def test_without_a_season_the_latitude_and_the_crop_list_say(latitude, crop, seeded) -> None:
    """Common practice, no source: within two weeks of these days."""
    plan = {"field": "Home", "season": 2025, "crop": crop}
    found = derive([], [plan], latitude_deg=latitude)["Home", 2025]
    assert found["expected_from"] == "latitude"
    assert abs((found["seeding_expected"] - seeded).days) <= 14


def test_without_a_season_or_a_latitude_nothing_is_expected_and_the_row_says_why() -> None:
    plan = {"field": "Home", "season": 2025, "crop": "spring wheat"}
    found = derive([], [plan], latitude_deg=None)["Home", 2025]
    assert (found["seeding_expected"], found["harvest_expected"]) == (None, None)
    assert found["partial"]
    assert "no latitude" in found["reason"]


def test_no_field_and_no_season_give_no_row() -> None:
    assert derive([]) == {}


@given(st.lists(st.integers(-60, 60), min_size=2, max_size=6), st.integers(0, 364))
def test_the_expected_harvest_is_scipys_circular_mean_of_the_others(moves, middle) -> None:
    """Whatever part of the year the harvests fall in (scipy.stats.circmean)."""
    days = [
        date(2000 + year, 1, 1) + timedelta(days=(middle + m) % 365) for year, m in enumerate(moves)
    ]
    made = [
        {"field": "Home", "season": d.year, "crop": "spring wheat", "harvested": d}
        | {"seeded": d - timedelta(days=110)}
        for d in days
    ]
    turns = [d.timetuple().tm_yday * 2 * np.pi / season_ahead.YEAR_D for d in days[:-1]]
    mean = float(stats.circmean(turns)) * season_ahead.YEAR_D / (2 * np.pi)
    found = derive(made)["Home", days[-1].year]["harvest_expected"].timetuple().tm_yday
    apart = abs(found - mean)
    assert min(apart, season_ahead.YEAR_D - apart) <= 1.01


def test_rows_in_any_order_give_the_same() -> None:
    def table(items: list[dict[str, Any]]) -> pl.DataFrame:
        return season_ahead.derive(
            season=rows("season", items),
            planned_season=rows("planned_season", []),
            crop=CROPS,
            farm=farm(),
        )

    assert table(THREE).equals(table(THREE[::-1]))
