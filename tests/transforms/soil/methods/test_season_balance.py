from datetime import date, timedelta

import polars as pl
import pytest

from tests.transforms import frames
from transforms.soil import recharge_winter, water_use_season
from transforms.soil.methods import season_balance

SEEDED = date(2024, 5, 1)


def storage(risen: date) -> pl.DataFrame:
    """A layer of 300 mm that rises by 3 % of its volume on one day, and stays."""
    days = [SEEDED + timedelta(days=n) for n in range(-500, 60)]
    return pl.DataFrame(
        {
            "field": "f",
            "strip": "treated",
            "depth_cm": 50.0,
            "day": days,
            "storage_mm": [60.0 + 9.0 * (day >= risen) for day in days],
            "layer_top_cm": 30.0,
            "layer_bottom_cm": 60.0,
        }
    )


@pytest.mark.parametrize(
    ("before_d", "wetted"), [(-10, True), (100, True), (364, True), (365, False)]
)
def test_a_layer_was_wetted_if_water_came_to_it_within_a_year_of_seeding(
    before_d: int, wetted: bool
) -> None:
    season = frames.rows("season", [frames.season(str(SEEDED), "2024-06-20")])
    rows = season_balance.season_layers(storage(SEEDED - timedelta(days=before_d)), season)
    assert rows["day"].min() == SEEDED
    assert rows["wetted"].any() is wetted


def test_the_year_before_seeding_is_among_what_a_season_is_made_from() -> None:
    """Parts are made from whole months, so the first of the seeding's is the latest that they count back from."""
    before, _ = water_use_season.MARGIN_MONTHS
    asked = pl.Series([SEEDED]).dt.offset_by(season_balance.WETTED_WITHIN)
    given = pl.Series([SEEDED.replace(day=1)]).dt.offset_by(f"-{before}mo")
    assert given.item() <= asked.item()


def test_the_days_about_seeding_are_among_what_a_winter_is_made_from() -> None:
    _, after = recharge_winter.MARGIN_MONTHS
    seeded = date(2024, 4, 30)
    asked = pl.Series([seeded]).dt.offset_by(f"{recharge_winter.NEAR_D}d")
    assert asked.item() < pl.Series([seeded.replace(day=1)]).dt.offset_by(f"{after + 1}mo").item()
