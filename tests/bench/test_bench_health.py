"""The bench of the health checks on few farms with loose bounds: quick, and the bench cannot rot."""

from __future__ import annotations

from tests.bench.bench_health import RECIPES, Score, score
from tests.bench.health_farm import make


def test_clogged_gauges_are_found_and_sound_ones_are_left_alone() -> None:
    total = Score()
    for name in ("two fields", "gauges clogged often"):
        for seed in (1000, 1001):
            score(make(RECIPES[name], seed), total)
    assert total.found >= 0.8 * total.clogged > 0
    assert total.false_months <= 0.05 * total.sound
    assert total.false_hands < total.instrument_years
