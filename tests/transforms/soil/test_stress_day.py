"""stress_day: days below FAO 56's depletion share, counted by hand."""

from datetime import date, timedelta

import polars as pl
import pytest

from tests.transforms.frames import rows
from transforms.soil import stress_day

SEEDED = date(2024, 5, 1)
SEASON = rows(
    "season", [{"field": "Home", "season": 2024, "crop": "spring wheat", "seeded": SEEDED}]
)
CROP = rows("crop", [{"crop": "spring wheat", "base_temp_c": 0.0, "depletion_share": 0.55}])


def derive(shares, strip="treated", start=SEEDED, crop=CROP):
    days = pl.DataFrame(
        {
            "field": "Home",
            "strip": strip,
            "season": 2024,
            "day": [start + timedelta(days=n) for n in range(len(shares))],
            "available_water_share": pl.Series(shares, dtype=pl.Float64),
        }
    )
    return stress_day.derive(days, demand(start, [5.0] * len(shares)), SEASON, crop)


def demand(start, mm):
    return pl.DataFrame(
        {
            "field": "Home",
            "day": [start + timedelta(days=n) for n in range(len(mm))],
            "basal_et_mm": pl.Series(mm, dtype=pl.Float64),
        }
    )


def test_a_day_without_demand_is_none_of_stress():
    """Winter: the soil is dry or frozen, and the crop asks for nothing; without weather it is not known to."""
    days = pl.DataFrame(
        {
            "field": "Home",
            "strip": "treated",
            "season": 2024,
            "day": [SEEDED + timedelta(days=n) for n in range(4)],
            "available_water_share": 0.2,
        }
    )
    out = stress_day.derive(days, demand(SEEDED, [0.2, 0.9, 1.1]), SEASON, CROP)
    assert out["stress"].to_list() == [False, False, True, True]
    assert out["season_known_d"].to_list() == [1, 2, 3, 4]


def test_days_below_the_level_in_the_week_and_since_seeding():
    """Spring wheat: p = 0.55 (FAO 56, Table 22), so stress begins below 0.45."""
    out = derive([0.9] * 4 + [0.44] * 5 + [0.46] * 3)
    assert out["stress_level_share"].unique().to_list() == pytest.approx([0.45])
    assert out["season_stress_d"].to_list() == [0, 0, 0, 0, 1, 2, 3, 4, 5, 5, 5, 5]
    assert out["week_stress_d"].to_list() == [0, 0, 0, 0, 1, 2, 3, 4, 5, 5, 5, 4]
    assert out["week_known_d"].to_list() == [1, 2, 3, 4, 5, 6, 7, 7, 7, 7, 7, 7]
    assert not out["partial"].any()


def test_a_day_that_is_not_known_is_neither_stress_nor_known():
    out = derive([0.3, None, 0.3, 0.9])
    assert out["stress"].to_list() == [True, None, True, False]
    assert out["season_stress_d"].to_list() == [1, 1, 2, 2]
    assert out["season_known_d"].to_list() == [1, 1, 2, 3]
    assert out["coverage"].to_list() == pytest.approx([1, 1 / 2, 2 / 3, 3 / 4])
    assert out["partial"].to_list() == [False, True, True, True]


def test_a_probe_that_came_late_covers_part_of_the_season():
    out = derive([0.3] * 5, start=SEEDED + timedelta(days=5))
    assert out["coverage"][-1] == pytest.approx(5 / 10)
    assert out["season_stress_d"][-1] == 5


def test_without_the_crops_depletion_share_there_is_no_row():
    assert derive(
        [0.3] * 5, crop=CROP.with_columns(depletion_share=pl.lit(None, pl.Float64))
    ).is_empty()


def test_strips_and_seasons_count_apart():
    days = pl.concat(
        [
            pl.DataFrame(
                {
                    "field": "Home",
                    "strip": strip,
                    "season": 2024,
                    "day": [SEEDED + timedelta(days=n) for n in range(3)],
                    "available_water_share": share,
                }
            )
            for strip, share in (("treated", 0.6), ("check", 0.2))
        ]
    )
    out = stress_day.derive(days, demand(SEEDED, [5.0] * 3), SEASON, CROP)
    last = dict(
        out.filter(pl.col("day") == out["day"].max()).select("strip", "season_stress_d").iter_rows()
    )
    assert last == {"treated": 0, "check": 3}
