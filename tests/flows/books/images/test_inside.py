"""Means inside outlines: against plain numpy, at edges, under cloud, in two projections."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

pytest.importorskip("exactextract")
from pyproj import Transformer
from rasterio import Affine, crs

from flows.books.images.cut import Cut
from flows.books.images.grid import Grid
from flows.books.images.inside import NARROW, inside
from tests.flows.images import EAST, LONG, NORTH, UTM, on_globe, strip, two_strips
from tests.image_ground import texture
from transforms.methods import alike_ground

GRID = Affine(10, 0, EAST - 100, 0, -10, NORTH + LONG + 100)


@dataclass(frozen=True)
class Arrays(Cut):
    """A cut whose index and cloud are arrays."""

    index: Any = None
    cloud: Any = None

    def part(self, box):
        at = slice(box.top, box.bottom), slice(box.left, box.right)
        return self.index[at], self.cloud[at]


def pixels(index, cloud=None, transform=GRID, projection=UTM):
    clouded = np.zeros(np.shape(index), bool) if cloud is None else cloud
    index = np.where(clouded, np.nan, np.asarray(index, float))
    grid = Grid(crs.CRS.from_user_input(projection), transform, *index.shape)
    return Arrays(grid, None, None, index, clouded)


def one(index, outline, cloud=None):
    return inside(pixels(index, cloud), {"it": on_globe(outline)})["it"]


def test_a_border_of_one_pixel_is_left_out_and_whole_pixels_counted() -> None:
    """Strip of 6 by 40 pixels: 4 by 38 remain, all of one value; the strip beside does not leak in."""
    found = one(two_strips(), strip(0))
    assert found.vegetation_index == pytest.approx(0.6, abs=1e-6)
    # corners of a rounded border; a mean of the outline's edge in two projections
    assert found.pixels_weight == pytest.approx(4 * 38, rel=0.01)
    assert found.pixels_whole >= 2 * 36
    assert found.reason is None


@settings(deadline=None, max_examples=25)
@given(
    corner=st.tuples(st.floats(0, 60), st.floats(0, 60)),
    size=st.tuples(st.floats(60, 120), st.floats(60, 300)),
    turn=st.floats(0, 90),
    seed=st.integers(0, 99),
)
def test_area_weighted_means_agree_with_pixels_cut_in_400(corner, size, turn, seed) -> None:
    """Against plain numpy: each pixel cut in 20 by 20 points, those inside the outline counted."""
    index = np.random.default_rng(seed).uniform(0, 1, (60, 32))
    outline = shapely.affinity.rotate(
        shapely.box(*corner, corner[0] + size[0], corner[1] + size[1]), turn
    )
    outline = shapely.affinity.translate(outline, EAST, NORTH)
    found = one(index, outline)
    fine = (np.arange(20) + 0.5) / 20
    x = (np.arange(32)[:, None] + fine).ravel() * 10 + GRID.c
    y = GRID.f - (np.arange(60)[:, None] + fine).ravel() * 10
    less = outline.buffer(-10)
    within = shapely.contains_xy(less, *np.meshgrid(x, y)).reshape(60, 20, 32, 20).mean(axis=(1, 3))
    if found.coverage > 0.999:
        assert found.pixels_weight == pytest.approx(within.sum(), rel=0.02)
        assert found.vegetation_index == pytest.approx(np.average(index, weights=within), abs=3e-3)


def test_cloud_is_left_out_and_more_than_half_of_it_gives_no_mean() -> None:
    cloud = np.zeros((60, 32), bool)
    cloud[:22] = True  # 10 rows lie north of the strip
    index = two_strips()
    index[:22] = -0.1
    found = one(index, strip(0), cloud)
    assert found.vegetation_index == pytest.approx(0.6, abs=1e-6)
    assert found.cloud_share == pytest.approx(11 / 38, abs=0.01)
    assert found.coverage == pytest.approx(27 / 38, abs=0.01)
    cloud[:40] = True
    found = one(index, strip(0), cloud)
    assert found.vegetation_index is None
    assert found.reason == "cloud over more than half of the strip"


def test_a_strip_half_outside_the_image_says_so() -> None:
    half = two_strips()[:32]
    found = one(half, strip(1))
    assert found.coverage == pytest.approx(21 / 38, abs=0.01)
    assert found.vegetation_index == pytest.approx(0.5, abs=1e-6)
    assert found.reason


def test_a_narrow_strip_is_named() -> None:
    assert one(two_strips(), strip(0, wide=19.0)).reason == NARROW


def test_degrees_and_meters_give_the_same_mean() -> None:
    """The same gradient sampled on a grid in degrees: 0.0001 by 0.00008 degree."""
    west, south, east, north = on_globe(strip(0).union(strip(1)).buffer(100)).bounds
    high, wide = int((north - south) / 0.00008), int((east - west) / 0.0001)
    grid = Affine(0.0001, 0, west, 0, -0.00008, north)
    rows = np.linspace(0.2, 0.8, high)[:, None] + np.zeros((1, wide))
    found = inside(pixels(rows, transform=grid, projection="EPSG:4326"), {"it": on_globe(strip(0))})
    assert found["it"].vegetation_index == pytest.approx(0.5, abs=0.005)


def test_what_ground_may_do_is_the_same_in_degrees_and_more_under_cloud() -> None:
    """One land on two grids (each pixel of degrees by its middle), then with two thirds under cloud."""
    land = texture("exponential", 12.0).draw(np.random.default_rng(12))[0][:160, :90] / 10
    fine = GRID @ Affine.scale(0.5)
    both = {"treated": on_globe(strip(0)), "check": on_globe(strip(1))}

    def half(cut):
        found = inside(cut, both)
        return alike_ground.half_width(found["treated"].cells, found["check"].cells)

    coarse = land[0:120, 0:64].reshape(60, 2, 32, 2).mean(axis=(1, 3))
    meters = half(pixels(coarse))
    west, south, east, north = on_globe(strip(0).union(strip(1)).buffer(60)).bounds
    high, wide = int((north - south) / 0.00009), int((east - west) / 0.00014)
    grid = Affine(0.00014, 0, west, 0, -0.00009, north)
    columns, rows = np.meshgrid(np.arange(wide) + 0.5, np.arange(high) + 0.5)
    there = Transformer.from_crs("EPSG:4326", UTM, always_xy=True).transform(
        *(grid @ (columns, rows))
    )
    column, row = (np.clip(a, 0, 10_000).astype(int) for a in ~fine @ there)
    degrees = half(pixels(land[row, column], transform=grid, projection="EPSG:4326"))
    assert degrees == pytest.approx(meters, rel=0.35)
    cloud = np.zeros(coarse.shape, bool)
    cloud[24:40] = True
    assert half(pixels(coarse, cloud)) > meters
