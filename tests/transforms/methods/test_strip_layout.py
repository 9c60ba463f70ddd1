"""Strips of a plan: inside the field, apart, whole header widths, drawn again by the same seed."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
import shapely
from hypothesis import assume, example, given
from hypothesis import strategies as st
from shapely.affinity import rotate

from transforms.methods.strip_layout import (
    LEAST_ACROSS_M,
    PAIR,
    SAME_WIDTH,
    THREE,
    Design,
    Layout,
    NoRoom,
    common_width,
    lay_out,
    longest_side,
    nearest_corner,
    on_plane,
    spots,
)

NOWHERE = shapely.GeometryCollection()
FIELD = shapely.box(-400, -400, 400, 400)
USUAL = Design(9.0, 4.5, 0.0, 3.0, 27.0, 4)


@st.composite
def fields(draw: st.DrawFn) -> shapely.Polygon:
    """A field of four to eight corners around the middle, in order, so that it never crosses itself."""
    corners = draw(st.integers(4, 8))
    far = draw(st.lists(st.floats(150, 700), min_size=corners, max_size=corners))
    turn = draw(st.floats(0, 6))
    angle = turn + np.arange(corners) * 2 * np.pi / corners
    return shapely.Polygon(np.column_stack([far * np.cos(angle), far * np.sin(angle)]))


designs = st.builds(
    Design,
    header_m=st.floats(5, 15),
    implement_m=st.sampled_from([None, 3.0, 4.572, 6.0]),
    direction_deg=st.floats(0, 179.9),
    border_m=st.floats(0, 8),
    headland_m=st.floats(0, 40),
    blocks=st.integers(1, 5),
    least_passes=st.integers(1, 2),
    worked=st.sampled_from([PAIR, THREE]),
    across=st.booleans(),
)
ponds = st.builds(
    lambda x, y, r: shapely.Point(x, y).buffer(r),
    st.floats(-300, 300),
    st.floats(-300, 300),
    st.floats(5, 80),
)


def laid(outline: shapely.Polygon, avoid: shapely.Geometry, design: Design, seed: int) -> Layout:
    try:
        return lay_out(outline, avoid, design, seed)
    except NoRoom:
        assume(False)
        raise


@given(fields(), ponds, designs, st.integers(0, 10**6))
@example(FIELD, shapely.Point(0, 0).buffer(60), USUAL, 1)
@example(FIELD, NOWHERE, replace(USUAL, worked=THREE, direction_deg=37.0), 2)
@example(FIELD, NOWHERE, replace(USUAL, across=True, blocks=3), 3)
def test_strips_lie_inside_apart_and_whole(
    outline: shapely.Polygon, avoid: shapely.Geometry, design: Design, seed: int
) -> None:
    made = laid(outline, avoid, design, seed)
    assert len(made.strips) == design.blocks * len(design.worked)
    for one in made.strips:
        assert outline.contains(one.shape)
        assert one.shape.distance(outline.exterior) >= design.headland_m - 1e-6
        assert not one.shape.intersects(avoid)
        assert one.shape.area == pytest.approx(one.width_m * one.length_m)
        whole = (one.length_m if design.across else one.width_m) / design.header_m
        assert whole == pytest.approx(round(whole), abs=1e-6)
        assert whole >= 1
        if design.implement_m:
            passes = one.width_m / design.implement_m
            assert passes == pytest.approx(round(passes), rel=SAME_WIDTH * 1.01)
    for left, right in pairwise(made.strips):
        assert left.shape.distance(right.shape) >= design.border_m - 1e-6
    for block in range(1, design.blocks + 1):
        own = [one for one in made.strips if one.block == block]
        assert len({round(one.length_m, 6) for one in own}) == 1
        assert sorted(one.worked for one in own) == sorted(design.worked)
        if design.worked == THREE:
            assert own[1].worked == 0  # the check in the middle


@given(designs, st.integers(0, 10**6))
def test_the_seed_repeats_the_layout(design: Design, seed: int) -> None:
    assert laid(FIELD, NOWHERE, design, seed) == lay_out(FIELD, NOWHERE, design, seed)


def test_both_sides_come_by_the_coin_and_only_sides_depend_on_it() -> None:
    drawn = [lay_out(FIELD, NOWHERE, replace(USUAL, blocks=1), seed) for seed in range(200)]
    first = sum(one.strips[0].worked for one in drawn)
    assert 70 <= first <= 130  # 200 tosses: outside in fewer than 1 of 10,000 runs
    assert len({one.strips[0].shape.wkt for one in drawn}) == 1


def test_the_direction_is_clockwise_from_north() -> None:
    """Strips that run east (90°) are long from west to east; on_plane agrees with the shapes."""
    made = lay_out(FIELD, NOWHERE, replace(USUAL, direction_deg=90.0), 1)
    west, south, east, north = made.strips[0].shape.bounds
    assert east - west > 700
    assert north - south == pytest.approx(9.0)
    one = lay_out(FIELD, NOWHERE, replace(USUAL, direction_deg=30.0), 1).strips[2]
    assert shapely.Point(on_plane(*one.middle, 30.0)).distance(one.shape.centroid) < 1e-6


@pytest.mark.parametrize("direction", [0.0, 12.5, 60.0, 120.0, 179.0])
def test_the_longest_side(direction: float) -> None:
    field = rotate(shapely.box(-100, -400, 100, 400), -direction)
    assert longest_side(field) == pytest.approx(direction, abs=1e-6)


@pytest.mark.parametrize(
    ("header", "implement", "least", "found"),
    [
        (30, 15, 1, (30, 1, 2)),
        (30, 12, 1, (60, 2, 5)),
        (40, 30, 1, (120, 3, 4)),
        (30, 40, 1, (120, 4, 3)),
        (30, None, 2, (60, 2, None)),
        (30, 15, 2, (60, 2, 4)),
        (9.144, 3.048, 1, (9.144, 1, 3)),  # 30 ft, 10 ft
    ],
)
def test_the_narrowest_common_strip(
    header: float, implement: float | None, least: int, found: tuple[float, int, int | None]
) -> None:
    """Least common multiples, by hand."""
    design = replace(USUAL, header_m=header, implement_m=implement, least_passes=least)
    width = common_width(design)
    assert (width.width_m, width.header_passes, width.implement_passes) == found


def test_crossed_strips_are_wide_and_whole_implement_widths() -> None:
    width = common_width(replace(USUAL, across=True, implement_m=6.0))
    assert (width.width_m, width.header_passes, width.implement_passes) == (54.0, None, 9)
    assert width.width_m >= LEAST_ACROSS_M


def test_a_pond_in_the_middle_moves_the_blocks_beside_it() -> None:
    pond = shapely.box(-60, -60, 60, 60)
    made = lay_out(FIELD, pond, USUAL, 1)
    assert all(one.length_m == pytest.approx(746, abs=0.01) for one in made.strips)


def test_without_room_it_says_how_many_blocks_fit() -> None:
    narrow = shapely.box(-100, -400, 100, 400)
    with pytest.raises(NoRoom) as error:
        lay_out(narrow, NOWHERE, replace(USUAL, blocks=9), 1)
    # 146 m between the headlands; a block is 24 m, and one border more is at the end
    assert error.value.blocks == 5
    assert len(lay_out(narrow, NOWHERE, replace(USUAL, blocks=5), 1).strips) == 10
    with pytest.raises(NoRoom) as error:
        lay_out(shapely.box(0, 0, 60, 600), NOWHERE, USUAL, 1)
    assert error.value.blocks == 0


@given(fields(), designs)
def test_instruments_stand_in_the_middle_equally_far_along(
    outline: shapely.Polygon, design: Design
) -> None:
    made = laid(outline, NOWHERE, design, 5)
    found = spots(made)
    assert {one.strip.worked for one in found} == set(design.worked)
    assert len({round(one.along_m, 6) for one in found}) == 1
    for one in found:
        at = shapely.Point(on_plane(one.across_m, one.along_m, design.direction_deg))
        half = min(one.strip.width_m, one.strip.length_m) / 2
        assert one.strip.shape.exterior.distance(at) == pytest.approx(half, abs=1e-6)


def test_the_corner_is_one_of_the_outline() -> None:
    design = replace(USUAL, direction_deg=20.0)
    corner = nearest_corner(FIELD, lay_out(FIELD, NOWHERE, design, 1))
    at = shapely.Point(on_plane(*corner, 20.0))
    assert min(at.distance(shapely.Point(c)) for c in FIELD.exterior.coords) < 1e-6
