from datetime import date

import polars as pl

from tests.transforms import frames
from tests.transforms.frames import rows
from transforms.methods.crop_days import BEFORE_HARVESTS, with_crop_year, with_season


def test_season_and_growth_by_day() -> None:
    season = rows(
        "season",
        [
            frames.season("2023-09-20", "2024-08-10", "2023-10-02"),
            frames.season("2025-05-01", season=2025, crop="c"),
        ],
    )
    asked = {
        date(2023, 9, 19): (None, False),
        date(2023, 9, 20): (2024, False),
        date(2023, 10, 2): (2024, True),
        date(2024, 1, 1): (2024, True),
        date(2024, 8, 10): (2024, True),
        date(2024, 8, 11): (None, False),
        date(2025, 5, 10): (2025, False),
        date(2025, 5, 11): (2025, True),  # ten days after seeding, emergence not noted
        date(2026, 5, 11): (2025, True),  # still standing
    }
    frame = with_season(pl.DataFrame({"field": "f", "day": list(asked)}), season)
    assert {d: (s, g) for _, d, s, g in frame.iter_rows()} == asked


def test_the_first_harvest_is_told_from_the_day_after_it() -> None:
    season = rows("season", [frames.season("2021-05-08", "2021-08-28")])
    days = [date(2021, 8, 28), date(2021, 8, 29)]
    whole = with_crop_year(pl.DataFrame({"field": "f", "day": days}), season)
    assert whole["since"].to_list() == [BEFORE_HARVESTS, days[0]]
    alone = with_crop_year(pl.DataFrame({"field": "f", "day": days[:1]}), season)
    assert alone["since"].to_list() == [BEFORE_HARVESTS]
