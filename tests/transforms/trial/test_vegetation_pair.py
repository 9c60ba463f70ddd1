"""vegetation_pair: strips side by side, the interval, typed observations beside."""

from __future__ import annotations

from datetime import date
from typing import Any

import pytest
from scipy import stats

from tests.transforms.frames import check, rows
from transforms.trial import vegetation_pair

DAY = date(2024, 7, 1)


def seen(strip: str, index: float | None, **more: Any) -> dict[str, Any]:
    return {
        "field": "NORTH ",
        "strip": strip,
        "day": DAY,
        "source": "drone",
        "image": "a.tif",
        "vegetation_index": index,
        "spread": 0.1,
        "independent_pixels": 26.0,
        "coverage": 1.0,
        "partial": False,
        **more,
    }


def typed(**more: Any) -> dict[str, Any]:
    return {
        "field": "north",
        "day": DAY,
        "what": "vegetation index",
        "layer": "all",
        "unit": "1",
        "treated_value": 0.7,
        "check_value": 0.6,
        "difference": 0.1,
        "difference_se": 0.05,
        "treated_places": 3,
        "check_places": 3,
        "check_worked": False,
        "coverage": 1.0,
        "partial": False,
        **more,
    }


def derive(items, observed=(), harvested: date | None = date(2024, 8, 20)):
    season = {"field": "north", "season": 2024, "crop": "pea", "seeded": date(2024, 5, 1)}
    out = vegetation_pair.derive(
        vegetation_strip=rows("vegetation_strip", list(items)),
        observation_pair=rows("observation_pair", list(observed)),
        season=rows("season", [season | {"harvested": harvested}]),
    )
    check(out, "vegetation_pair")
    return out.to_dicts()


def test_against_a_welch_interval_of_scipy() -> None:
    """Strips of 26 and 10 unrelated pixels: scipy's t test of the same summaries."""
    items = [seen("treated", 0.6), seen("check", 0.5, spread=0.2, independent_pixels=10.0)]
    (row,) = derive(items)
    spreads = [0.1 * (26 / 25) ** 0.5, 0.2 * (10 / 9) ** 0.5]  # of a sample, not of the pixels
    test = stats.ttest_ind_from_stats(0.6, spreads[0], 26, 0.5, spreads[1], 10, equal_var=False)
    error = (0.1**2 / 25 + 0.2**2 / 9) ** 0.5
    half = error * stats.t.ppf(0.975, test.df if hasattr(test, "df") else _welch(*spreads))
    assert row["difference"] == pytest.approx(0.1)
    assert row["difference_se"] == pytest.approx(error)
    assert row["difference_high"] - 0.1 == pytest.approx(half)
    assert row["difference_low"] == pytest.approx(0.1 - half)
    assert (row["field"], row["season"], row["crop"]) == ("north", 2024, "pea")
    assert row["least_pixels"] == 10


def _welch(one: float, other: float) -> float:
    """Degrees of freedom of Welch for 26 and 10, by hand."""
    a, b = one**2 / 26, other**2 / 10
    return (a + b) ** 2 / (a**2 / 25 + b**2 / 9)


def test_the_image_that_shows_most_counts_and_what_is_missing_is_said() -> None:
    part = {"coverage": 0.6, "partial": True, "reason": "part of the strip is under cloud"}
    items = [seen("treated", 0.6), seen("treated", 0.1, image="b.tif", **part)]
    (row,) = derive([*items, seen("check", 0.5, **part)])
    assert row["difference"] == pytest.approx(0.1)
    assert (row["coverage"], row["partial"]) == (0.6, True)
    assert row["reason"] == "check strip: part of the strip is under cloud"
    (row,) = derive(items)
    assert row["difference"] is None
    assert row["reason"] == "check strip: not in an image of this day"


def test_typed_indexes_are_a_source_of_their_own() -> None:
    found = derive(
        [seen("treated", 0.6), seen("check", 0.5)],
        [typed(), typed(what="height", unit="cm"), typed(day=date(2024, 7, 2), treated_value=60.0)],
    )
    assert [(row["source"], row["day"]) for row in found] == [("drone", DAY), ("observed", DAY)]
    assert found[1]["difference_se"] == pytest.approx(0.05)
    half = 0.05 * stats.t.ppf(0.975, 4)  # three places of each strip, alike in spread
    assert found[1]["difference_high"] == pytest.approx(0.1 + half)


def test_one_pixel_or_one_place_gives_a_difference_without_an_interval() -> None:
    one = {"independent_pixels": 1.0, "spread": 0.0}
    single = typed(difference_se=None, treated_places=1, check_places=1)
    found = derive([seen("treated", 0.6, **one), seen("check", 0.5)], [single])
    assert [row["difference"] for row in found] == [pytest.approx(0.1)] * 2
    assert [row["difference_low"] for row in found] == [None, None]


def test_a_day_outside_the_season_has_none() -> None:
    (row,) = derive([seen("treated", 0.6), seen("check", 0.5)], harvested=date(2024, 6, 1))
    assert row["season"] is None
