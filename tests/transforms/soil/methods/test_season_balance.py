from datetime import date, timedelta

import polars as pl
import pytest

from tests.transforms import frames
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
