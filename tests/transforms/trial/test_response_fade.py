"""response_fade: a known fade is recovered, its best interval found, few data are said to be few."""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest

from schemas import generated
from schemas.catalogue import TABLES
from tests.transforms.frames import check, rows
from transforms.trial import response_fade
from transforms.trial.methods.fade_line import fade

PRACTICE = "deep tillage"


def _derive(items, cost: float | None = 60.0):
    """items: (field, years since, response in percent, season's net)."""
    causes = [
        {
            "field": f,
            "season": 2018 + t,
            "practice": PRACTICE,
            "years_since": t,
            "response_pct": pct,
            "shared_se_pct": 1.0,
        }
        for f, t, pct, _ in items
    ]
    money = [
        {
            "field": f,
            "operation_day": date(2018, 10, 20),
            "season": 2018 + t,
            "practice": PRACTICE,
            "years_since": t,
            "season_net_per_ha": net,
            "season_net_se_per_ha": 5.0,
        }
        for f, t, _, net in items
        if net is not None
    ]
    work = [
        {
            "field": "a",
            "strip": "treated",
            "day": date(2018, 10, 20),
            "practice": PRACTICE,
            "cost_per_ha": cost,
            "partial": False,
        }
    ]
    out = response_fade.derive(
        rows("response_cause", causes),
        rows("payback", money),
        rows("operation_cost", work),
        rows("comparison", []),
    )
    check(out, "response_fade")
    return {r["years_since"]: r for r in out.iter_rows(named=True)}


def _clean():
    """A season's net of 50, 40, 30, 20, 10 in two fields."""
    fields = (("a", 0.1), ("b", -0.1))
    return [(f, t, 12.0 - 2 * t + e, 60.0 - 10 * t) for f, e in fields for t in range(1, 6)]


def test_a_clean_fade_and_its_best_interval() -> None:
    out = _derive(_clean())
    assert out[1]["response_pct"] == pytest.approx(10, abs=0.01)
    assert out[1]["change_pct"] == pytest.approx(-2, abs=0.01)
    assert out[1]["verdict"] == "fades"
    # (50-60)/1, (90-60)/2, (120-60)/3, (140-60)/4, (150-60)/5, then nothing more is added.
    expected = [-10, 15, 20, 20, 18, 15, 90 / 7, 90 / 8]
    assert [out[t]["yearly_net_per_ha"] for t in range(1, 9)] == pytest.approx(expected, abs=0.05)
    assert sum(r["best"] for r in out.values()) == 1
    assert out[3]["best"] or out[4]["best"]
    assert out[5]["behind_best_per_ha"] == pytest.approx(2, abs=0.05)
    assert sum(r["best_chance"] for r in out.values()) == pytest.approx(1)
    assert out[6]["season_net_per_ha"] == pytest.approx(0, abs=0.01)
    assert out[8]["season_net_per_ha"] == pytest.approx(0, abs=0.01)
    assert not out[6]["seen"]
    assert out[6]["partial"]
    assert "carried on" in out[6]["reason"]
    assert not out[5]["partial"]


def test_noise_makes_the_interval_wide_and_the_best_unsure() -> None:
    rng = np.random.default_rng(4)
    noisy = [(f, t, p + rng.normal(0, 4), n + rng.normal(0, 30)) for f, t, p, n in _clean()]
    clean, out = _derive(_clean()), _derive(noisy)
    assert out[3]["yearly_net_low_per_ha"] < 20 < out[3]["yearly_net_high_per_ha"]
    width = [r[3]["yearly_net_high_per_ha"] - r[3]["yearly_net_low_per_ha"] for r in (clean, out)]
    assert width[1] > 5 * width[0]
    assert max(r["best_chance"] for r in out.values()) < 0.9


def test_one_year_only_is_a_level_without_a_fade() -> None:
    out = _derive([(f, 1, 8.0 + i, 30.0 + i) for i, f in enumerate("abcd")])
    assert out[1]["change_pct"] is None
    assert out[1]["verdict"] == "cannot tell yet"
    assert "no fading can be seen" in out[1]["reason"]
    assert out[4]["response_pct"] == pytest.approx(9.5, abs=0.01)


def test_too_few_have_rows_and_reasons() -> None:
    out = _derive([("a", 1, 8.0, 30.0), ("a", 2, 6.0, None)])
    assert out[1]["response_pct"] is None
    assert "fewer than three" in out[1]["reason"]
    assert out[2]["site_years"] == 1
    assert out[1]["coverage"] == 0.5


def test_no_cost_no_interval() -> None:
    out = _derive(_clean(), cost=None)
    assert out[1]["season_net_per_ha"] == pytest.approx(50, abs=0.01)
    assert out[1]["yearly_net_per_ha"] is None
    assert "cost" in out[1]["reason"]


def test_a_loss_stays_a_loss_and_no_interval_pays() -> None:
    items = [(f, t, -3.0, -10.0 + e) for f, e in (("a", 0.1), ("b", -0.1)) for t in range(1, 5)]
    out = _derive(items)
    assert out[1]["season_net_per_ha"] == pytest.approx(-10, abs=0.1)
    best = next(r for r in out.values() if r["best"])
    assert "no interval pays" in best["reason"]


def test_a_rise_is_shown_and_counts_as_a_level() -> None:
    line = fade([1.0, 2.0, 3.0, 4.1], [0.1] * 4, [1, 2, 3, 4], ["a"] * 4)
    years = [1, 4, 9]
    assert line.values(line.line[None, :], years)[0] == pytest.approx([2.525] * 3, abs=1e-3)
    shown = line.values(line.line[None, :], years, may_rise=True)[0]
    assert shown == pytest.approx([0.98, 4.07, 9.22], abs=0.01)


def test_coverage_of_the_fade_line() -> None:
    """Year 1 of a true line in 94 of 100 or so: loose bounds, quick."""
    rng = np.random.default_rng(7)
    hit, trials = 0, 300
    t = np.array([1, 1, 2, 2, 3, 3, 4, 5])
    for _ in range(trials):
        v = rng.uniform(1, 4, t.size)
        y = 10 - 1.5 * (t - 1) + rng.normal(0, np.sqrt(2 + v))
        found = fade(y, v, t, np.arange(t.size)).fit.at([1.0, 0.0])
        hit += found.low <= 10 <= found.high
    assert 0.90 <= hit / trials <= 0.99


def test_empty() -> None:
    out = response_fade.derive(
        *(
            generated.empty(TABLES[n])
            for n in ("response_cause", "payback", "operation_cost", "comparison")
        )
    )
    assert out.is_empty()
