"""What a repeat adds, against the truth of simulated farms and by hand."""

from __future__ import annotations

from datetime import date

import numpy as np
import polars as pl
import pytest

from tests.bench.bench_repeat import Case, judged
from transforms.money.methods import repeat

FARMS = 60


@pytest.fixture(scope="module")
def nothing() -> pl.DataFrame:
    return judged(Case(restores=False), FARMS)


@pytest.fixture(scope="module")
def restored() -> pl.DataFrame:
    return judged(Case(restores=True), FARMS)


def _inside(found: pl.DataFrame) -> float:
    low, high = found["cumulative_low_per_ha"], found["cumulative_high_per_ha"]
    return float(((low <= found["true"]) & (found["true"] <= high)).mean())


def test_a_repeat_that_adds_nothing_says_so(nothing) -> None:
    """It goes on fading as it would have: the money of the first work is not the repeat's."""
    assert (nothing["repeat_adds"] == "adds").mean() <= 0.05
    assert not nothing["verdict"].is_in(["paid", "probably paid"]).any()
    assert (nothing["verdict"] == "not paid").mean() > 0.8
    assert _inside(nothing) >= 0.88


def test_a_repeat_that_restores_says_its_marginal_money(restored) -> None:
    assert (restored["repeat_adds"] == "adds").mean() > 0.6
    assert _inside(restored) >= 0.88
    off = restored["cumulative_net_per_ha"] - restored["true"]
    assert abs(off.mean()) < 3 * off.std() / FARMS**0.5 + 8


def test_the_whole_response_after_an_early_repeat_would_say_too_much() -> None:
    """After two harvests much of the first work is still to come; without taking it off it counts twice."""
    found = judged(Case(restores=True, fields=4, before=2, change=-1.0), FARMS)
    assert _inside(found) >= 0.88
    still = found["earlier_kg_ha"] * 0.25
    off = found["cumulative_net_per_ha"] - found["true"]
    assert abs(off.mean()) < 8
    assert (off + 2 * still).mean() > 30


def _run(years, percent, operation_day=date(2018, 10, 20), **more):
    return [
        {
            "field": "north",
            "practice": "deep tillage",
            "operation_day": operation_day,
            "season": 2018 + t,
            "years_since": t,
            "response_kg_ha": 30.0 * p,
            "response_se_kg_ha": 15.0,
            "lasting_se_kg_ha": 0.0,
            "check_kg_ha": 3000.0,
            "earlier_day": None,
            "earlier_years": None,
            **more,
        }
        for t, p in zip(years, percent, strict=True)
    ]


AGAIN = {
    "operation_day": date(2022, 10, 20),
    "earlier_day": date(2018, 10, 20),
}


def _earlier(percent, years=(5, 6)):
    rows = _run(range(1, len(percent) + 1), percent)
    for t in years:
        rows += (
            _run([t], [9.0])
            if t is None
            else [{**_run([t], [9.0])[0], **AGAIN, "earlier_years": t, "years_since": t - 4}]
        )
    frame = pl.DataFrame(rows, infer_schema_length=None)
    return repeat.earlier(frame).get(("north", AGAIN["operation_day"]))


def test_a_line_is_carried_on_and_ends_at_nothing() -> None:
    """12, 10, 8, 6 % without scatter: 4 and 2 % are next, then nothing."""
    mean = _earlier([12.0, 10.0, 8.0, 6.0], (5, 6, 7, 9)).mean / 30
    assert mean == pytest.approx([4, 2, 0, 0], abs=0.9)
    assert (np.diff(mean) < 0.1).all()


def test_a_response_that_grew_counts_as_a_level() -> None:
    assert _earlier([2.0, 4.0, 6.0, 8.0], (9,)).mean / 30 == pytest.approx([5], abs=1.5)


def test_too_few_site_years_take_nothing_off() -> None:
    assert _earlier([6.0, 5.0]) is None


def test_error_of_the_earlier_work_widens_the_sum() -> None:
    found = _earlier([12.0, 9.0, 9.0, 6.0])
    price = np.array([0.25, 0.25])
    low, high, chance = found.sum_less(price, 10.0, 5.0, np.inf)
    alone = 2 * 1.959964 * 5.0
    assert high - low > 1.2 * alone
    assert 0.5 < chance < 1
    same = found.sum_less(np.zeros(2), 10.0, 5.0, np.inf)
    assert same[1] - same[0] == pytest.approx(alone, rel=0.06)
    assert same[2] == pytest.approx(0.97725, abs=0.01)
