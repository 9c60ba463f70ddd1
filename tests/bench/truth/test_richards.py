"""The solver against a solution in closed form, and its balance."""

import numpy as np
import pytest

from tests.bench.truth.hydraulics import Gardner, VanGenuchten
from tests.bench.truth.richards import Columns, Ends

CELLS, CELL_CM = 80, 2.5


def full(value: float) -> np.ndarray:
    return np.full((1, CELLS), value)


@pytest.mark.parametrize("flux", [0.1, 0.0, -0.0005])
def test_steady_flow_above_a_water_table_is_gardners(flux):
    """Gardner (1958, Soil Sci. 85:228): K = exp(a h) gives exp(a h) = q + (1 - q) exp(-a d), Ks = 1."""
    columns = Columns(Gardner(full(0.1), full(0.45), full(0.02), full(1.0)), CELL_CM, 1, CELLS)
    ends = Ends(
        np.array([max(flux, 0)]), np.array([max(-flux, 0)]), full(0.0), np.array([0.0]), full(1.0)
    )
    head = np.linspace(-200, 0, CELLS)[None, :]
    for _ in range(400):
        step = columns.advance(head, 12.0, ends)
        head = step.head
    above = CELLS * CELL_CM - (np.arange(CELLS) + 0.5) * CELL_CM
    expected = np.log(flux + (1 - flux) * np.exp(-0.02 * above)) / 0.02
    assert head[0] == pytest.approx(expected, abs=0.02)
    assert step.drained[0] / 12 == pytest.approx(flux, abs=1e-5)


def test_a_season_of_rain_on_clay_closes_to_a_tenth_of_a_millimeter():
    soil = VanGenuchten(full(0.07), full(0.48), full(0.012), full(1.15), full(0.2))
    columns = Columns(soil, CELL_CM, 1, CELLS)
    head, rng = full(-3000.0), np.random.default_rng(1)
    first = soil.water(head).sum() * CELL_CM
    booked = 0.0
    for _ in range(24 * 20):
        rain = (rng.random() < 0.05) * rng.exponential(0.8)
        dries = 0.008 if head[0, 0] > -1e4 else 0.0
        ends = Ends(np.array([rain]), np.array([dries]), full(0.0), np.array([np.nan]), full(1.0))
        step = columns.advance(head, 1.0, ends)
        head = step.head
        booked += step.entered[0] - step.drained[0] - dries
    assert booked > 1
    assert soil.water(head).sum() * CELL_CM - first == pytest.approx(booked, abs=0.01)


def test_a_head_and_its_water_content_belong_together():
    soil = VanGenuchten(full(0.07), full(0.48), full(0.012), full(1.15), full(0.2))
    head = -np.logspace(0.5, 4.5, CELLS)[None, :]
    assert soil.head(soil.water(head)) == pytest.approx(head, rel=1e-6)
    slope = (soil.water(head * 0.9999) - soil.water(head * 1.0001)) / (-head * 0.0002)
    assert soil.at(head).capacity == pytest.approx(slope, rel=1e-3)
    assert soil.at(head).water == pytest.approx(soil.water(head))
    assert soil.at(full(-0.5)).conductivity == pytest.approx(full(0.2))
