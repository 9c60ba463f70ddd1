"""Strips on like ground: simulated fields whose yields follow a map, or have nothing to do with it."""

import numpy as np
import pytest
import shapely
from scipy.ndimage import gaussian_filter

from transforms.methods import like_ground
from transforms.methods.like_ground import SPACING_M, maps_of, odd_ground, unlike
from transforms.methods.strip_layout import PAIR, THREE, Design, lay_out, spans_of

WIDE, LONG = 600.0, 400.0
FIELD = shapely.box(0, 0, WIDE, LONG)
EMPTY = shapely.GeometryCollection()
EAST, NORTH = np.meshgrid(
    np.arange(SPACING_M / 2, WIDE, SPACING_M), np.arange(SPACING_M / 2, LONG, SPACING_M)
)
XY = np.column_stack([EAST.ravel(), NORTH.ravel()])


def surface(seed, far=10.0):
    """A smooth random surface with standard deviation 1, alike over ``far`` steps of the grid."""
    found = gaussian_filter(np.random.default_rng(seed).normal(size=EAST.shape), far)
    return (found / found.std()).ravel()


def design(worked=PAIR, direction=0.0):
    return Design(9.0, None, direction, 3.0, 27.0, 3, worked=worked)


def pair_differences(layout, yields):
    """Treated less check of each block, of the true yields, by the distance of the places that stand for them.

    The grid is half a strip wide, so that distance is not always the same.
    """
    inside = {(s.block, s.worked): shapely.contains_xy(s.shape, XY) for s in layout.strips}
    found = []
    for block in range(1, layout.design.blocks + 1):
        one, other = inside[block, 1], inside[block, 0]
        apart = abs(XY[one, 0].mean() - XY[other, 0].mean())
        found.append((yields[one].mean() - yields[other].mean()) * 12.0 / apart)
    return found


def simulated(likeness, seeds):
    """Root mean square of the blocks' differences, without and with the map, where nothing was applied."""
    plain, by_map = [], []
    for seed in seeds:
        ground, other = surface(seed), surface(10_000 + seed)
        yields = likeness * ground + np.sqrt(1 - likeness**2) * other
        one = lay_out(FIELD, EMPTY, design(), seed)
        measure = unlike(maps_of(XY, [ground]), one.design, one.width)
        two = lay_out(FIELD, EMPTY, design(), seed, measure)
        plain += pair_differences(one, yields)
        by_map += pair_differences(two, yields)
    return tuple(float(np.sqrt(np.mean(np.square(d)))) for d in (plain, by_map))


def test_where_yields_follow_the_map_the_sides_are_more_alike():
    plain, by_map = simulated(0.95, range(30))
    assert by_map < 0.7 * plain


def test_a_map_that_has_nothing_to_do_with_the_yield_costs_nothing():
    """Over 60 fields of 3 blocks the ratio of two such means has a standard error of about 7%."""
    plain, by_map = simulated(0.0, range(60))
    assert by_map == pytest.approx(plain, rel=0.15)
    for seed in range(5):
        layout = lay_out(FIELD, EMPTY, design(), seed)
        measure = unlike(maps_of(XY, [surface(seed)]), layout.design, layout.width)
        moved = lay_out(FIELD, EMPTY, design(), seed, measure)
        lengths = [sum(s.length_m for s in each.strips) for each in (layout, moved)]
        assert lengths[1] >= 0.98 * lengths[0]
        assert measure(spans_of(moved)) <= measure(spans_of(layout))
        assert [s.worked for s in moved.strips] == [
            s.worked for s in layout.strips
        ]  # the lot stays


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
    assert found == pytest.approx(expected, rel=0.15)  # the grid is half a strip wide


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
    for strip in layout.strips:
        ground = ground + 3.0 * shapely.contains_xy(strip.shape.buffer(3), XY) * bool(strip.worked)
    inside = np.any([shapely.contains_xy(strip.shape.buffer(8), XY) for strip in block], axis=0)
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
