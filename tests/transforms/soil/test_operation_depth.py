"""operation_depth: the layer each working was meant for, how far it reached, the soil's one state."""

from __future__ import annotations

from datetime import date
from typing import Any

import pytest

from tests.transforms import frames
from transforms.soil import operation_depth

WORKED, AGAIN = date(2020, 10, 8), date(2023, 9, 1)
# MPa every 5 cm: a pan whose edges cross 2 MPa at 17.5 and 35.625 cm.
PAN = {5: 0.6, 10: 0.9, 15: 1.5, 20: 2.5, 25: 3.1, 30: 2.6, 35: 2.1, 40: 1.3, 45: 1.2, 50: 1.4}
LOOSE = dict.fromkeys(PAN, 1.0)


def push(profile: dict[int, float], day: date, strip: str) -> list[dict[str, Any]]:
    return [
        {"field": "f", "strip": strip, "day": day, "place": "1"}
        | {"depth_cm": float(depth), "cone_index_mpa": mpa}
        for depth, mpa in profile.items()
    ]


def work(day: date = WORKED, depth_cm: float | None = 30.0, working: int = 1, **more: Any):
    return {
        "field": "f",
        "strip": "treated",
        "day": day,
        "practice": "deep tillage",
        "working": working,
        "depth_cm": depth_cm,
        "coverage": 1.0,
        "partial": False,
        **more,
    }


def derive(works, pushes=(), texture: str | None = "clay"):
    field = {"field": "f", "practice": "deep tillage", "soil_texture": texture}
    frame = operation_depth.derive(
        frames.rows("operation_fuel", works),
        frames.rows("penetrometer", list(pushes)),
        frames.rows("field", [field]),
    )
    frames.check(frame, "operation_depth")
    return {row["day"]: row for row in frame.iter_rows(named=True)}


@pytest.mark.parametrize(
    ("depth", "reach", "short", "past"),
    [
        (15.0, "above the layer", 20.625, None),
        (30.0, "in the layer", 5.625, None),
        (40.0, "below the layer", None, 4.375),
    ],
)
def test_how_far_the_work_reached(depth, reach, short, past) -> None:
    row = derive([work(depth_cm=depth)], push(PAN, date(2020, 9, 1), "treated"))[WORKED]
    assert (row["compacted_top_cm"], row["compacted_bottom_cm"]) == (17.5, 35.625)
    assert row["working_depth_cm"] == 38.125
    assert (row["reach"], row["short_of_bottom_cm"], row["past_bottom_cm"]) == (reach, short, past)
    assert row["layer_of"] == "worked strip"
    assert "buried" in row["caution"]


def test_without_a_profile_before_the_check_strip_stands_for_the_ground() -> None:
    """A repeat too is judged by ground never worked, not by what the first work left."""
    pushes = [
        *push(LOOSE, date(2021, 5, 24), "treated"),
        *push(PAN, date(2021, 5, 24), "check"),
        *push(PAN, date(2024, 5, 24), "check"),
    ]
    out = derive([work(), work(AGAIN, 36.0, 2)], pushes)
    assert out[WORKED]["layer_of"] == out[AGAIN]["layer_of"] == "check strip"
    assert (out[WORKED]["profile_day"], out[AGAIN]["profile_day"]) == (
        date(2021, 5, 24),
        date(2024, 5, 24),
    )
    assert out[AGAIN]["reach"] == "below the layer"
    assert out[WORKED]["after_day"] == date(2021, 5, 24)
    assert out[WORKED]["after_treated_layer"] is False
    assert out[WORKED]["after_check_layer"] is True
    assert out[WORKED]["after_check_bottom_cm"] == 35.625
    assert out[AGAIN]["after_day"] is None


def test_a_check_that_was_worked_too_is_no_unworked_ground() -> None:
    pushes = push(LOOSE, date(2021, 5, 24), "check")
    out = derive([work(), work() | {"strip": "check"}], pushes)
    assert out[WORKED]["profile_day"] is None
    assert "no penetrometer profile" in out[WORKED]["reason"]


@pytest.mark.parametrize(
    ("share", "state"),
    [(0.2, "drier than friable"), (0.7, "friable"), (1.05, "wetter than friable")],
)
def test_one_number_and_its_word_by_published_limits(share, state) -> None:
    water = {"available_water_share": share, "vwc_pct": 31.0, "soil_water_day": date(2020, 10, 6)}
    pushes = push(PAN, date(2020, 9, 1), "treated")
    row = derive([work(**water)], pushes)[WORKED]
    assert row["soil_state"] == state
    assert row["soil_water_day"] == date(2020, 10, 6)
    assert "Dexter" in row["limits_from"]
    assert not row["partial"]
    none = derive([work(**water)], pushes, texture=None)[WORKED]
    usual = {0.2: "friable", 0.7: "friable", 1.05: "wetter than friable"}
    assert (none["soil_state"], none["limits_from"]) == (usual[share], "common practice, no source")


def test_what_is_not_known_is_said() -> None:
    hard_below = {d: mpa for d, mpa in PAN.items() if d <= 30}
    row = derive([work()], push(hard_below, date(2020, 9, 1), "treated"))[WORKED]
    assert row["reach"] is None
    assert "push deeper" in row["reason"]
    assert "no soil water" in row["reason"]
    assert row["partial"]
    assert derive([work(depth_cm=None)]) == {}
