from datetime import date

import pytest

from tests.transforms.frames import check, rows
from transforms.roots import evaporation_seen


def seen(*years: tuple[int, float, float]) -> list[float]:
    """Shares of years with so many days, fall and evaporation in mm."""
    items = [
        {"day": date(2020 + n, 9, 1), "days": days, "fall_mm": fall, "evaporation_mm": mm}
        for n, (days, fall, mm) in enumerate(years)
    ]
    found = evaporation_seen.derive(rows("evaporation_bare", items, field="f", depth_cm=10.0))
    check(found, "evaporation_seen")
    return found["seen_share"].to_list()


def test_the_sums_of_all_years_are_compared() -> None:
    assert seen((12, 6.0, 10.0), (10, 1.0, 4.0)) == [pytest.approx(0.5)]
    assert seen((30, 10.0, 30.0)) == [pytest.approx(0.33)]  # to a hundredth


def test_too_few_days_or_too_little_evaporation_show_nothing() -> None:
    assert seen((19, 6.0, 10.0)) == seen((40, 1.0, 4.9)) == seen() == []


def test_a_share_is_neither_below_nothing_nor_above_twice_all() -> None:
    assert seen((30, -3.0, 10.0)) == [0.0]
    assert seen((30, 30.0, 10.0)) == [2.0]
