"""Pooling over farms: against an independent library, and by two simulators with known truth.

``tests/bench/bench_farms.py`` measures coverage on many seeds.
"""

from __future__ import annotations

from importlib import import_module

import numpy as np
import polars as pl
import pytest
from scipy import stats

from tests.bench import farm_truths
from transforms.trial.methods import farm_pooling
from transforms.trial.methods.farm_pooling import over_farms


def rows(by_farm: dict[str, dict[str, list[float]]]) -> pl.DataFrame:
    """Values by farm and field, one a season from 2021 on."""
    return pl.DataFrame(
        [
            {"farm": farm, "field": f"{farm} {field}", "season": 2021 + n, "value": value}
            for farm, fields in by_farm.items()
            for field, values in fields.items()
            for n, value in enumerate(values)
        ],
        schema={"farm": pl.String, "field": pl.String, "season": pl.Int64, "value": pl.Float64},
        strict=False,
    )


def test_a_field_and_a_season_each_is_students_interval():
    values = [1.0, 4.0, 2.5, 7.0, 3.0, 5.5]
    found = over_farms(rows({f"f{n}": {"a": [v]} for n, v in enumerate(values)}))
    usual = stats.ttest_1samp(values, 0)
    low, high = usual.confidence_interval()
    assert (found.mean.low, found.mean.high) == pytest.approx((low, high))
    assert found.mean.p == pytest.approx(usual.pvalue)
    assert found.spread == pytest.approx(np.std(values, ddof=1), rel=1e-3)


def test_the_spreads_interval_is_that_of_an_independent_library():
    """Q-profile, by pymare; the farms stray no farther than normal ones, so nothing is widened."""
    y = np.array([1.0, 2.2, 2.9, 4.1, 5.0, 6.2, 6.8])
    v = np.array([0.3, 0.2, 0.5, 0.1, 0.4, 0.2, 0.3])
    other = import_module("pymare.stats").q_profile(y[:, None], v[:, None], np.ones((7, 1)))
    low, high = farm_pooling._spread_interval(y, v)
    assert low**2 == pytest.approx(np.squeeze(other["ci_l"]), rel=1e-3)
    assert high**2 == pytest.approx(np.squeeze(other["ci_u"]), rel=1e-3)


def test_twenty_fields_are_not_twenty_farms():
    one = {f"f{n}": {"a": [v, v + 1]} for n, v in enumerate((1.0, 4.0, 2.5, 7.0))}
    many = one | {"f3": {str(n): [7.0 + 0.01 * n, 8.0] for n in range(20)}}
    alone, crowded = over_farms(rows(one)), over_farms(rows(many))
    assert crowded.mean.df == alone.mean.df == 3
    assert crowded.mean.mean == pytest.approx(alone.mean.mean, abs=0.3)
    assert crowded.mean.high - crowded.mean.low > 0.9 * (alone.mean.high - alone.mean.low)


def test_what_a_season_does_to_all_farms_does_not_average_out():
    rng = np.random.default_rng(7)
    season = np.array([-6.0, 0.0, 6.0, 1.0])
    many = {f"f{n}": {"a": list(season + rng.normal(0, 0.5, 4))} for n in range(60)}
    found = over_farms(rows(many))
    # Student's interval of four seasons, if they were all that scatters; the next farm's range is wider.
    alone = 2 * 3.18 * np.std(season, ddof=1) / 2
    assert 0.9 * alone < found.mean.high - found.mean.low < 1.4 * alone
    assert found.next_high - found.next_low > 0.999 * (found.mean.high - found.mean.low)
    assert (found.mean.p > 0.05) == (found.mean.low < 0 < found.mean.high)


def test_seasons_that_share_nothing_cost_little():
    rng = np.random.default_rng(8)
    many = {f"f{n}": {"a": list(rng.normal(0, 3) + rng.normal(0, 4, 5))} for n in range(60)}
    found = over_farms(rows(many)).mean
    means = [np.mean(farm["a"]) for farm in many.values()]
    low, high = stats.ttest_1samp(means, 0).confidence_interval()
    assert high - low < found.high - found.low < 1.2 * (high - low)


def test_an_interval_does_not_depend_on_the_unit():
    made = farm_truths.regions(np.random.default_rng(3), 12, 4, 2.0)
    one = over_farms(made).mean
    other = over_farms(made.with_columns(pl.col("value") * 1000)).mean
    assert other.low == pytest.approx(1000 * one.low, rel=1e-6)
    assert other.p == pytest.approx(one.p, rel=1e-6)


def test_farms_that_are_all_alike_have_no_spread():
    found = over_farms(rows({f"f{n}": {"a": [5.0, 5.0, 5.0]} for n in range(6)}))
    assert found.mean.mean == found.mean.low == found.mean.high == pytest.approx(5.0)
    assert (found.spread_low, found.spread_high) == pytest.approx((0.0, 0.0), abs=1e-6)


def test_two_farms_are_too_few():
    with pytest.raises(ValueError, match="three farms"):
        over_farms(rows({"a": {"a": [1.0, 2.0]}, "b": {"a": [1.0]}}))


def test_order_of_rows_is_of_no_matter():
    made = farm_truths.skewed(np.random.default_rng(3), 12, 5, 1.0)
    one, other = over_farms(made), over_farms(made.sample(fraction=1.0, shuffle=True, seed=1))
    assert one.mean.low == pytest.approx(other.mean.low, abs=1e-6)
    assert one.spread_high == pytest.approx(other.spread_high, abs=1e-6)


@pytest.mark.parametrize("truth", farm_truths.TRUTHS)
@pytest.mark.parametrize(("seasons", "shared_sd"), [(4, 0.0), (4, 2.0)])
def test_the_interval_holds_the_truth(truth, seasons, shared_sd):
    """On 120 seeds: 95 % of them less three standard errors; site-years as if independent fall short."""
    hits = naive = 0
    for seed in range(120):
        made = farm_truths.TRUTHS[truth](np.random.default_rng(seed), 20, seasons, shared_sd)
        found = over_farms(made).mean
        hits += found.low <= farm_truths.MEAN <= found.high
        usual = stats.ttest_1samp(made["value"], farm_truths.MEAN)
        naive += usual.pvalue > 0.05
    assert hits / 120 > 0.95 - 3 * (0.05 * 0.95 / 120) ** 0.5
    assert naive / 120 < 0.8
