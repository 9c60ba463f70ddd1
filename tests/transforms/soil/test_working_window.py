from __future__ import annotations

from datetime import date
from itertools import pairwise
from typing import Any

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from schemas import generated
from schemas.catalogue import TABLES
from tests.transforms import frames
from transforms.money import operation_fuel
from transforms.soil import operation_depth, working_window
from transforms.soil.methods import tillage_limits

PUSHED = date(2024, 4, 20)
DAYS = frames.days("2024-04-15", 20)
# Cone index in MPa every 5 cm: a pan between 20 and 35 cm.
PAN = {5: 0.6, 10: 0.9, 15: 1.5, 20: 2.5, 25: 3.1, 30: 2.6, 35: 2.1, 40: 1.3, 45: 1.2, 50: 1.4}


def pushes(
    profile: dict[int, float] = PAN, place: str = "1", day: date = PUSHED, strip: str = "treated"
) -> list[dict[str, Any]]:
    return [
        {
            "field": "f",
            "strip": strip,
            "day": day,
            "place": place,
            "depth_cm": float(depth),
            "cone_index_mpa": mpa,
        }
        for depth, mpa in profile.items()
    ]


def water(share: float | None, strip: str = "treated", **change: Any) -> list[dict[str, Any]]:
    """Layers 0-20, 20-36 and 36-60 cm; the lowest at ``share``, the others moist."""
    return [
        {
            "probe": strip,
            "depth_cm": depth,
            "day": day,
            "field": "f",
            "strip": strip,
            "layer_top_cm": top,
            "layer_bottom_cm": bottom,
            "available_water_share": share if depth == 48.0 else 0.9,
            "coverage": 1.0,
            "reason": "the sensor was frozen" if share is None and depth == 48.0 else None,
            **change,
        }
        for day in DAYS
        for depth, top, bottom in ((10.0, 0.0, 20.0), (28.0, 20.0, 36.0), (48.0, 36.0, 60.0))
    ]


def derive(
    penetrometer: list[dict[str, Any]],
    soil: list[dict[str, Any]],
    season: list[dict[str, Any]] | None = None,
    texture: str | None = "Clay",
) -> pl.DataFrame:
    frame = working_window.derive(
        frames.rows("penetrometer", penetrometer),
        frames.rows("soil_water_day", soil),
        frames.rows("season", season or []),
        frames.rows("field", [{"field": "f", "practice": "deep tillage", "soil_texture": texture}]),
    )
    frames.check(frame, "working_window")
    return frame


def last(frame: pl.DataFrame) -> dict[str, Any]:
    return frame.sort("day").row(-1, named=True)


def test_the_pan_is_found_between_its_crossings_and_worked_just_below() -> None:
    row = last(derive(pushes(), water(0.3)))
    # 2 MPa lies half-way between 15 and 20 cm, and 1/8 of the way from 35 to 40 cm.
    assert row["compacted_top_cm"] == pytest.approx(17.5)
    assert row["compacted_bottom_cm"] == pytest.approx(35 + 5 / 8)
    assert row["working_depth_cm"] == pytest.approx(35 + 5 / 8 + 2.5)
    assert row["cone_index_max_mpa"] == 3.1
    assert row["available_water_share"] == pytest.approx(0.3)
    assert row["state"] == "drier than friable"
    assert row["dry_enough"]
    assert row["places"] == 1
    assert not row["partial"]
    assert row["reason"] is None


@pytest.mark.parametrize(
    ("share", "state", "dry_enough"),
    [
        (-0.2, "drier than friable", True),
        (0.43, "drier than friable", True),
        (0.44, "friable", True),
        (0.96, "friable", True),
        (0.97, "wetter than friable", False),
        (1.3, "wetter than friable", False),
    ],
)
def test_states_of_a_clay(share: float, state: str, dry_enough: bool) -> None:
    """The limits are those of ``tillage_limits``, whose test has their source."""
    row = last(derive(pushes(), water(share)))
    assert (row["state"], row["dry_enough"]) == (state, dry_enough)
    assert "Dexter" in row["limits_from"]


@pytest.mark.parametrize("texture", [None, "loam"])
@pytest.mark.parametrize(
    ("share", "state"),
    [(0.05, "drier than friable"), (0.43, "friable"), (0.81, "wetter than friable")],
)
def test_without_published_limits_the_usual_ones_hold_and_say_so(
    texture: str | None, share: float, state: str
) -> None:
    row = last(derive(pushes(), water(share), texture=texture))
    assert (row["state"], row["limits_from"]) == (state, "common practice, no source")


def test_one_depth_and_day_has_one_state_in_both_tables() -> None:
    """The work on a day to the depth that the window names: the same number, limits and word."""
    day, depth = DAYS[-1], 35 + 5 / 8 + 2.5
    field = frames.rows("field", [{"field": "f", "practice": "x", "soil_texture": "clay"}])
    for share in (0.3, 0.7, 1.1):
        soil = water(share, vwc_pct=30.0, quality="good")
        window = last(derive(pushes(), soil))
        work = [{"field": "f", "strip": "treated", "day": day, "practice": "x", "depth_cm": depth}]
        fuel = operation_fuel.derive(
            frames.rows("operation", work), frames.rows("soil_water_day", soil)
        )
        (worked,) = operation_depth.derive(
            fuel, frames.rows("penetrometer", pushes()), field
        ).to_dicts()
        assert worked["soil_water_day"] == window["day"]
        assert worked["soil_state"] == window["state"]
        for name in ("available_water_share", *tillage_limits.LIMITS):
            assert worked[name] == window[name]


def test_rows_begin_with_the_first_profile_and_the_newest_holds() -> None:
    later = date(2024, 4, 28)
    loose = {depth: min(mpa, 1.4) for depth, mpa in PAN.items()}
    frame = derive(pushes() + pushes(loose, day=later), water(0.3))
    assert frame["day"].min() == PUSHED
    by_day = {row["day"]: row for row in frame.iter_rows(named=True)}
    assert by_day[date(2024, 4, 27)]["working_depth_cm"] is not None
    worked = by_day[later]
    assert worked["working_depth_cm"] is None
    assert worked["state"] is None
    assert worked["dry_enough"] is None
    assert worked["partial"]
    assert "no layer at 2 MPa" in worked["reason"]


def test_the_median_of_the_places_counts() -> None:
    stone = {depth: 9.0 if depth == 40 else mpa for depth, mpa in PAN.items()}
    frame = derive(pushes() + pushes(place="2") + pushes(stone, place="3"), water(0.3))
    row = last(frame)
    assert row["places"] == 3
    assert row["compacted_bottom_cm"] == pytest.approx(35 + 5 / 8)


def test_a_thin_crust_is_not_the_layer() -> None:
    crust = PAN | {5: 2.1}
    assert last(derive(pushes(crust), water(0.3)))["compacted_top_cm"] == pytest.approx(17.5)


def test_hard_to_the_end_has_no_working_depth() -> None:
    hard = {depth: mpa if depth < 20 else 3.0 for depth, mpa in PAN.items()}
    row = last(derive(pushes(hard), water(0.3)))
    assert row["compacted_top_cm"] is not None
    assert row["compacted_bottom_cm"] is None
    assert row["working_depth_cm"] is None
    assert row["dry_enough"] is None
    assert "push deeper" in row["reason"]


def test_a_profile_pushed_in_dry_soil_is_doubted() -> None:
    soil = water(0.3, available_water_share=0.3)
    row = last(derive(pushes(), soil))
    assert row["available_water_share_at_push"] == pytest.approx(0.3)
    assert row["partial"]
    assert "dryness" in row["reason"]


def test_what_cannot_be_told_is_null_with_the_probe_s_reason() -> None:
    row = last(derive(pushes(), water(None)))
    assert row["state"] is None
    assert row["dry_enough"] is None
    assert row["reason"] == "the sensor was frozen"
    deep = pushes({depth + 40: mpa for depth, mpa in PAN.items()})
    below = last(derive(deep, water(0.3)))
    assert below["available_water_share"] is None
    assert "no probe layer" in below["reason"]


def test_the_caution_stands_in_every_row() -> None:
    frame = derive(pushes(), water(0.3))
    assert frame["caution"].str.contains("buried").all()
    assert frame["caution"].str.contains("licensed").all()


def test_a_standing_crop_is_named() -> None:
    season = [{"field": "f", "season": 2024, "crop": "oats", "seeded": date(2024, 4, 25)}]
    frame = derive(pushes(), water(0.3), season)
    by_day = dict(zip(frame["day"], frame["season"], strict=True))
    assert by_day[date(2024, 4, 24)] is None
    assert by_day[date(2024, 4, 25)] == 2024


def test_each_strip_has_its_own_profile() -> None:
    soil = water(0.3) + water(0.9, strip="check")
    frame = derive(pushes(), soil)
    assert set(frame["strip"]) == {"treated"}
    both = derive(pushes() + pushes(strip="check"), soil)
    states = dict(both.filter(pl.col("day") == PUSHED).select("strip", "state").iter_rows())
    assert states == {"treated": "drier than friable", "check": "friable"}


@pytest.mark.parametrize(("penetrometer", "soil"), [([], water(0.3)), (pushes(), [])])
def test_nothing_gives_nothing(
    penetrometer: list[dict[str, Any]], soil: list[dict[str, Any]]
) -> None:
    frame = derive(penetrometer, soil)
    assert frame.is_empty()
    assert frame.schema == generated.polars_schema(TABLES["working_window"])


@settings(max_examples=60, deadline=None)
@given(st.lists(st.floats(0, 8), min_size=1, max_size=20))
def test_the_layer_lies_within_the_profile_and_is_hard(values: list[float]) -> None:
    profile = {5 * (n + 1): mpa for n, mpa in enumerate(values)}
    (row,) = working_window.compacted(frames.rows("penetrometer", pushes(profile))).to_dicts()
    if not row["hard"]:
        # No two neighboring readings are hard, nor is the last one.
        assert not any(a >= 2 and b >= 2 for a, b in pairwise(values))
        assert values[-1] < 2
        return
    top, bottom = row["compacted_top_cm"], row["compacted_bottom_cm"]
    assert 5 <= top <= 5 * len(values)
    if bottom is not None:
        assert bottom - top >= 5
        inside = [mpa for depth, mpa in profile.items() if top < depth < bottom]
        assert all(mpa >= 2 for mpa in inside)
        assert row["working_depth_cm"] == pytest.approx(bottom + 2.5)
    assert row["cone_index_max_mpa"] >= 2
