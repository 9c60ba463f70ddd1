"""Strips on like ground: simulated fields whose yields follow a map, or have nothing to do with it."""

from itertools import pairwise

import numpy as np
import pytest
import shapely
from scipy.ndimage import gaussian_filter

from tests.bench.bench_like_ground import EAST, FIELD, WIDE, XY, related, unrelated
from transforms.methods import like_ground
from transforms.methods.like_ground import counts, maps_of, odd_ground, unlike
from transforms.methods.strip_layout import PAIR, THREE, Design, lay_out, spans_of

EMPTY = shapely.GeometryCollection()


def surface(seed, far=10.0):
    """A smooth random surface with standard deviation 1, alike over ``far`` steps of the grid."""
    found = gaussian_filter(np.random.default_rng(seed).normal(size=EAST.shape), far)
    return (found / found.std()).ravel()


def design(worked=PAIR, direction=0.0):
    return Design(9.0, None, direction, 3.0, 27.0, 3, worked=worked)


def test_where_yields_follow_the_map_the_sides_are_more_alike():
    """At a correlation of 0.8 by 0.61 to 0.75 in the figures of bench_like_ground."""
    found, error = related("exponential", 0.8, range(700, 725))
    assert found + 2 * error < 0.95


def test_a_map_that_has_nothing_to_do_with_the_yield_costs_nothing():
    """On ground of one law all over the field, exactly the same is expected: 15 layouts on each of 60 yields."""
    found, error = unrelated("smith", "smooth", range(800, 860), 15)
    assert error < 0.08
    assert abs(found - 1) < 2.5 * error


def test_a_map_moves_blocks_along_equal_geometry_and_not_to_the_edge():
    """A map that is even but for noise away from the sides of the field: the most alike place is at its edge."""
    plain = lay_out(FIELD, EMPTY, design(), 1)
    at_edge = np.where((XY[:, 0] > 110), surface(1, 1.0), 0.0)
    assert unlike_of(at_edge, plain)([(30.0, 27.0, 373.0), (54.0, 27.0, 373.0)]) == 0.0
    for ground in (at_edge, surface(2), surface(3)):
        measure = unlike_of(ground, plain)
        moved = lay_out(FIELD, EMPTY, design(), 1, measure)
        (left, *_), *_ = spans_of(moved)
        assert 27 + 3 + 12 - 0.01 <= left <= WIDE - 27 - 72 - 12 + 0.01
        apart = [
            [abs(a.middle[0] - b.middle[0]) for a, b in pairwise(each.strips)]
            for each in (plain, moved)
        ]
        assert apart[0] == pytest.approx(apart[1])
        lengths = [sum(s.length_m for s in each.strips) for each in (plain, moved)]
        assert lengths[1] >= 0.98 * lengths[0]
        assert measure(spans_of(moved)) <= measure(spans_of(plain))
        assert [s.worked for s in moved.strips] == [s.worked for s in plain.strips]  # the lot


def unlike_of(ground, layout):
    return unlike(maps_of(XY, [ground]), layout.design, layout.width)


def test_the_ruler_reads_the_same_difference_wherever_the_strips_lie_on_the_grid():
    """A plain slope of 1 SD in 100 m: sides 12 m apart differ by 0.12, at any place (the grid has 5 m)."""
    plain = lay_out(FIELD, EMPTY, design(), 1)
    slope = maps_of(XY, [XY[:, 0]])
    measure = unlike(slope, plain.design, plain.width)
    spread = 1.4826 * np.median(np.abs(XY[:, 0] - np.median(XY[:, 0])))
    found = [measure([(at, 27.0, 373.0)]) * spread for at in np.linspace(100, 110, 41)]
    assert found == pytest.approx([12.0] * 41)


def test_beside_earlier_harvests_a_map_counts_by_what_it_explains_of_them():
    """Harvest: half ground, half of its own, so a map of the ground explains a half of it."""
    layout = lay_out(FIELD, EMPTY, design(), 1)
    ground, own, other = (surface(seed, 4.0) for seed in (21, 22, 23))
    soil = (ground > 0).astype(float) + 2.0 * (ground > 1)
    harvest = (ground + own) / np.sqrt(2)
    found = counts(maps_of(XY, [ground, other, soil, harvest], 3), layout.design, layout.width)
    assert found[0] == pytest.approx(0.5, abs=0.12)
    assert found[1] < 0.05
    assert found[1] < found[2] < found[0]
    assert found[3] == 1.0
    alone = counts(maps_of(XY, [ground, other, soil]), layout.design, layout.width)
    assert alone == {0: 1.0, 1: 1.0, 2: 1.0}
    gone = maps_of(XY, [ground, np.where(XY[:, 0] < 30, harvest, np.nan)], 1)
    assert counts(gone, layout.design, layout.width)[0] == 0.0


def test_maps_that_explain_nothing_do_not_move_the_strips_off_the_harvests_place():
    plain = lay_out(FIELD, EMPTY, design(), 1)
    harvest, soil = surface(31), np.clip(np.round(1.5 * surface(32, 4.0)) + 3, 0, 5)
    both = unlike(maps_of(XY, [soil, harvest], 1), plain.design, plain.width)
    alone = unlike_of(harvest, plain)
    least = alone(spans_of(lay_out(FIELD, EMPTY, design(), 1, alone)))
    assert alone(spans_of(lay_out(FIELD, EMPTY, design(), 1, both))) < least + 0.01


@pytest.mark.parametrize("direction", [0.0, 30.0, 90.0])
@pytest.mark.parametrize("worked", [PAIR, THREE])
def test_how_unlike_sides_are_is_what_the_strips_themselves_show(direction, worked):
    """A plain slope across the strips: neighbors differ by the distance of their middles, by hand."""
    a = np.radians(direction)
    across = XY @ np.array([np.cos(a), -np.sin(a)])
    maps = maps_of(XY, [across])
    layout = lay_out(FIELD, EMPTY, design(worked, direction), 1)
    spread = 1.4826 * np.median(np.abs(across - np.median(across)))
    apart = [12.0] if worked == PAIR else [12.0, 12.0, 24.0]
    expected = np.sqrt(np.mean(np.square(apart))) / spread
    found = unlike(maps, layout.design, layout.width)(spans_of(layout))
    assert found == pytest.approx(expected, rel=0.001 if direction != 30.0 else 0.03)


def test_classes_are_compared_class_by_class_not_by_their_number():
    """Soils 1, 2 and 9 in thirds across: the numbers mean nothing, a renumbering changes nothing."""
    third = np.clip((XY[:, 0] // 200).astype(int), 0, 2)
    layout = lay_out(FIELD, EMPTY, design(), 1)
    one, other = (
        unlike(maps_of(XY, [np.array(names)[third]]), layout.design, layout.width)(spans_of(layout))
        for names in ([1.0, 2.0, 9.0], [5.0, 1.0, 2.0])
    )
    assert one == pytest.approx(other)


def test_odd_ground_is_a_patch_far_from_the_fields_median():
    ground = surface(3)
    pond = np.hypot(XY[:, 0] - 300, XY[:, 1] - 200) < 25
    speck = np.hypot(XY[:, 0] - 100, XY[:, 1] - 100) < 6
    maps = maps_of(XY, [np.where(pond | speck, -9.0, ground)])
    odd = odd_ground(maps)
    assert odd.contains(shapely.Point(300, 200))
    assert not odd.intersects(shapely.Point(100, 100))
    assert odd.area == pytest.approx(np.pi * 25**2, rel=0.15)
    layout = lay_out(FIELD, odd, design(), 1)
    assert not any(strip.shape.intersects(odd) for strip in layout.strips)


def test_instruments_stand_on_the_same_and_typical_ground():
    """Block 2 is even but for a hollow half way along its west strip; the sides of other blocks differ."""
    layout = lay_out(FIELD, EMPTY, design(), 1)
    block = [strip for strip in layout.strips if strip.block == 2]
    ground = surface(5)
    for left, *_ in spans_of(layout):
        ground = ground + 6.0 * ((XY[:, 0] > left + 10.5) & (XY[:, 0] < left + 22.5))
    inside = np.any([shapely.contains_xy(strip.shape.buffer(3), XY) for strip in block], axis=0)
    west = min(block, key=lambda strip: strip.across_m)
    hollow = np.hypot(XY[:, 0] - west.middle[0], XY[:, 1] - west.middle[1]) < 30
    ground = np.where(inside, 0.01 * ground, ground) - 2.0 * (hollow & inside)
    places, apart = like_ground.like_spots(layout, maps_of(XY, [ground]))
    assert {spot.strip.block for spot in places} == {2}
    assert all(abs(spot.along_m - west.middle[1]) >= 30 for spot in places)
    assert len({spot.along_m for spot in places}) == 1
    assert apart < 0.5


def test_a_map_without_values_under_the_strips_says_nothing():
    layout = lay_out(FIELD, EMPTY, design(), 1)
    maps = maps_of(XY, [np.where(XY[:, 0] < 20, XY[:, 1], np.nan)])
    assert unlike(maps, layout.design, layout.width)(spans_of(layout)) == float("inf")
    assert maps_of(XY, [np.ones(len(XY))]).values.shape[1] == 0
