from __future__ import annotations

import numpy as np
import pytest

from transforms.trial.methods.map_pairs import MOST_APART_M, blocks_of, crossing_blocks

WIDTH = 9.0


def blocks(strips: str) -> tuple[str, list[int]]:
    """Blocks of passes side by side, a letter each: t and c, a dot for a pass of neither."""
    places = [(WIDTH * k, s == "t") for k, s in enumerate(strips) if s != "."]
    kind, found = blocks_of(
        np.array([p for p, _ in places]), np.array([t for _, t in places]), WIDTH
    )
    return kind, found.tolist()


@pytest.mark.parametrize(
    ("strips", "kind", "expected"),
    [
        ("tttccc", "passes", [3, 2, 1, 1, 2, 3]),
        ("ttcccc", "passes", [2, 1, 1, 2, 0, 0]),
        ("t.c", "passes", [1, 1]),
        # a check in the middle: its passes go with the nearer side
        ("ttcccctt", "passes", [2, 1, 1, 2, 4, 3, 3, 4]),
        # one check pass for two treated ones: one block, so that a slope over the field cancels
        ("tct", "passes", [1, 1, 1]),
        # repeated strips: a block each
        ("ttccttcc", "strips", [1, 1, 1, 1, 2, 2, 2, 2]),
        ("tctctc", "strips", [1, 1, 2, 2, 3, 3]),
        ("tctct", "strips", [1, 1, 2, 2, 2]),
        # others between
        ("t..c..t..c..", "strips", [1, 1, 2, 2]),
        ("ttt", "passes", [0, 0, 0]),
        ("", "passes", []),
        ("t", "passes", [0]),
    ],
)
def test_blocks_of_strips(strips: str, kind: str, expected: list[int]) -> None:
    assert blocks(strips) == (kind, expected)


def test_passes_far_from_each_other_are_not_compared() -> None:
    """Of twelve swaths of 9 m a side, the i-th pair is (2i - 1) x 9 m apart: six pairs within 100 m."""
    _, found = blocks("t" * 12 + "c" * 12)
    assert found == [0] * 6 + [6, 5, 4, 3, 2, 1, 1, 2, 3, 4, 5, 6] + [0] * 6
    assert 11 * 9 <= MOST_APART_M < 13 * 9


def test_two_passes_at_one_place_share_a_block() -> None:
    across = np.array([0.0, 0.4, 9.0, 18.0, 18.3, 27.0])
    treated = np.array([True, True, True, False, False, False])
    _, found = blocks_of(across, treated, WIDTH)
    assert found.tolist() == [2, 2, 1, 1, 1, 2]


def test_a_block_of_crossings_is_about_as_long_as_its_parts_lie_apart() -> None:
    """Forty crossings of 9 m, parts 37 m from the border on each side: 360 m make four squares of 74 m."""
    across = np.repeat(WIDTH * np.arange(40), 2)
    treated = np.tile([True, False], 40)
    found = crossing_blocks(across, treated, WIDTH, np.full(80, 37.0))
    assert np.bincount(found).tolist() == [0, 20, 20, 20, 20]


def test_crossings_that_lack_a_side_and_too_short_a_border() -> None:
    across = np.array([0.0, 0.2, 9.0, 9.1, 18.0])
    treated = np.array([True, False, False, True, True])
    assert crossing_blocks(across, treated, WIDTH, np.full(5, 37.0)).tolist() == [1] * 5
    assert crossing_blocks(across, treated, WIDTH, np.full(5, 4.5)).tolist() == [1, 1, 2, 2, 0]
    assert crossing_blocks(across, np.ones(5, bool), WIDTH, np.full(5, 4.5)).tolist() == [0] * 5


def test_the_order_of_passes_does_not_matter() -> None:
    rng = np.random.default_rng(4)
    across = 9.0 * np.arange(14)
    treated = np.arange(14) % 7 < 3
    kind, found = blocks_of(across, treated, WIDTH)
    order = rng.permutation(14)
    again = blocks_of(across[order], treated[order], WIDTH)
    assert again[0] == kind
    assert again[1].tolist() == found[order].tolist()
