"""Friable limits: the curve's own properties, and soils that have none.

Outside checks: the best water content is where the retention curve bends from one side to the other
(Dexter and Bird's definition, found here by differences); Carsel and Parrish's clay holds 0.35 and
0.27 of its volume at 330 and 15,000 cm (their curve, read from memory).
"""

from __future__ import annotations

import numpy as np
import pytest

from transforms.soil.methods.tillage_limits import CURVES, friable


@pytest.mark.parametrize("name", sorted(CURVES))
def test_best_is_the_inflection_of_water_against_the_logarithm_of_suction(name) -> None:
    curve = CURVES[name]
    logs = np.linspace(0, 14, 20001)
    water = np.array([curve.water(float(h)) for h in np.exp(logs)])
    bend = np.gradient(np.gradient(water, logs), logs)
    at = 2 + int(np.flatnonzero(np.diff(np.sign(bend[2:-2])) != 0)[0])
    assert curve.best == pytest.approx(water[at], abs=2e-4)


@pytest.mark.parametrize("name", sorted(CURVES))
def test_dry_best_and_wet_are_in_order_and_inside_the_soil(name) -> None:
    curve = CURVES[name]
    assert curve.residual < curve.dry < curve.best < curve.wet < curve.saturated
    assert curve.wet - curve.best == pytest.approx(0.4 * (curve.saturated - curve.best))


def test_clay() -> None:
    clay = CURVES["clay"]
    assert clay.water(330) == pytest.approx(0.35, abs=0.005)
    assert clay.water(15000) == pytest.approx(0.27, abs=0.005)
    assert clay.share(clay.water(330)) == pytest.approx(1)
    low, high = friable(" Clay ") or (0, 0)
    assert (low, high) == (pytest.approx(0.44, abs=0.01), pytest.approx(0.96, abs=0.01))


def test_textures_without_limits() -> None:
    assert friable("sandy loam") is None
    assert friable("what my father called it") is None
