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


def ground(image: str = "a.tif", half: float | None = 0.03, apart: float = 0.1) -> dict[str, Any]:
    """What the ground may make of the strips' difference in an image."""
    of = {"field": "NORTH ", "day": DAY, "source": "drone", "image": image}
    return of | {"half_width": half, "apart_share": apart}


def derive(items, observed=(), harvested: date | None = date(2024, 8, 20), of=()):
    of = of or [ground(), ground("b.tif")]
    season = {"field": "north", "season": 2024, "crop": "pea", "seeded": date(2024, 5, 1)}
    out = vegetation_pair.derive(
        vegetation_strip=rows("vegetation_strip", list(items)),
        vegetation_ground=rows("vegetation_ground", [*of, *of]),  # of strips both ways
        observation_pair=rows("observation_pair", list(observed)),
        season=rows("season", [season | {"harvested": harvested}]),
    )
    check(out, "vegetation_pair")
    return out.to_dicts()


def test_the_interval_is_that_of_the_image_on_both_sides_of_the_difference() -> None:
    (row,) = derive([seen("treated", 0.6), seen("check", 0.5)])
    assert row["difference"] == pytest.approx(0.1)
    assert row["difference_low"] == pytest.approx(0.07)
    assert row["difference_high"] == pytest.approx(0.13)
    assert (row["field"], row["season"], row["crop"]) == ("north", 2024, "pea")
    assert row["reason"] is None


def test_strips_far_apart_and_too_few_pixels_are_said() -> None:
    both = [seen("treated", 0.6), seen("check", 0.5)]
    (row,) = derive(both, of=[ground(apart=0.6)])
    assert row["difference_low"] == pytest.approx(0.07)
    assert "more than half of their length apart" in row["reason"]
    (row,) = derive(both, of=[ground(half=None)])
    assert (row["difference_low"], row["reason"]) == (None, "too few pixels for an interval")
    assert row["partial"] is False


def test_the_image_that_shows_most_counts_and_what_is_missing_is_said() -> None:
    part = {"coverage": 0.6, "partial": True, "reason": "part of the strip is under cloud"}
    items = [seen("treated", 0.6), seen("treated", 0.1, image="b.tif", **part)]
    (row,) = derive([*items, seen("check", 0.5, **part)])
    assert row["difference"] == pytest.approx(0.1)
    assert (row["coverage"], row["partial"]) == (0.6, True)
    assert row["reason"] == "check strip: part of the strip is under cloud"
    (row,) = derive(items)
    assert row["difference"] is None
    assert row["reason"] == "check strip: not in the image"


def test_typed_indexes_are_a_source_of_their_own() -> None:
    found = derive(
        [seen("treated", 0.6), seen("check", 0.5)],
        [typed(), typed(what="height", unit="cm"), typed(day=date(2024, 7, 2), treated_value=60.0)],
    )
    assert [(row["source"], row["day"]) for row in found] == [("drone", DAY), ("observed", DAY)]
    half = 0.05 * stats.t.ppf(0.975, 4)  # three places of each strip, alike in spread
    assert found[1]["difference_high"] == pytest.approx(0.1 + half)


def test_one_place_gives_a_difference_without_an_interval() -> None:
    single = typed(difference_se=None, treated_places=1, check_places=1)
    (row,) = derive([], [single])
    assert row["difference"] == pytest.approx(0.1)
    assert row["difference_low"] is None


def test_strips_in_two_images_are_not_compared_by_halves() -> None:
    """Treated in one image, check in another: what the ground does to the difference is not known."""
    (row,) = derive([seen("treated", 0.6), seen("check", 0.5, image="b.tif")])
    assert (row["difference"], row["coverage"]) == (None, 0)
    assert row["reason"].endswith("strip: not in the image")


def test_a_day_outside_the_season_has_none() -> None:
    (row,) = derive([seen("treated", 0.6), seen("check", 0.5)], harvested=date(2024, 6, 1))
    assert row["season"] is None
