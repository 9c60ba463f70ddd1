"""ground: the published factor, what a farm's own site-years make of it, what comes back."""

from __future__ import annotations

import numpy as np
import pytest

from transforms.trial.methods import ground

YES = np.ones(12, dtype=bool)
NO = ~YES
FIVE = np.full(12, 5.0)


def _factor(mean, *, before=NO, counts=YES, by_lot=NO, blocks=FIVE):
    own = np.full(12, 2.0)
    found, _ = ground.ground_variance(
        np.asarray(mean), own, blocks, before=before, counts=counts, by_lot=by_lot
    )
    return found / own + 1


def test_the_ratio_of_published_trials_by_strips_of_passes() -> None:
    """Middle of 45 published uniformity trials each: 1.7 and 1.5, 1.6 and 2.5, 2.8 and 4.0, 5.0 and 6.3.

    At 2, 3, 5, 10 passes, in the half that judged and the half that ``SPREAD_POWER`` was set on.
    """
    found = ground.published_factor(np.array([1.0, 2.0, 3.0, 5.0, 10.0]))
    assert found[0] == 1
    assert found[1:] == pytest.approx([1.6, 2.05, 3.4, 5.65], rel=0.15)


def test_one_site_year_has_the_published_ground() -> None:
    one = NO.copy()
    one[0] = True
    assert _factor(np.zeros(12), counts=one)[0] == pytest.approx(5**ground.SPREAD_POWER)


def test_site_years_that_agree_show_even_ground_and_that_differ_uneven() -> None:
    wave = np.tile([1.0, -1.0], 6)
    usual = 5**ground.SPREAD_POWER
    even, uneven = _factor(6 + 2**0.5 * wave), _factor(6 + 6 * wave)
    # Twelve means that scatter as their blocks say: Q is 12 about their mean, on 11 df.
    q = float(((2**0.5 * wave) ** 2).sum() / 2)
    expected = (ground.PRIOR_DF * usual + q) / (ground.PRIOR_DF + 11)
    assert even == pytest.approx(np.full(12, expected))
    assert (uneven > 2 * usual).all()


def test_ground_known_from_few_site_years_leaves_few_degrees_of_freedom() -> None:
    """Without ground those of the blocks; with it fewer, against chi-squares drawn for both parts."""
    rng = np.random.default_rng(5)
    own_df, ground_df, excess = 16.0, 5.0, 2.4
    own = rng.chisquare(own_df, 200_000) / own_df
    total = own * (1 + excess * rng.chisquare(ground_df, own.size) / ground_df)
    drawn = 2 * total.mean() ** 2 / total.var()
    one, more = np.ones(1), np.full(1, excess)
    found = ground.known_df(one, more, own_df * one, ground_df)[0]
    assert found == pytest.approx(drawn, rel=0.1)
    assert ground.known_df(one, 0 * one, own_df * one, ground_df)[0] == own_df


def test_each_site_year_tells_of_the_ground_once() -> None:
    def df(after: int, before: int) -> float:
        flags = np.arange(12) < before
        return ground.ground_variance(
            np.zeros(12), np.ones(12), FIVE, flags, np.arange(12) < before + after, NO
        )[1]

    assert df(0, 0) == ground.PRIOR_DF
    assert df(4, 0) == ground.PRIOR_DF + 3  # their common mean is the response
    assert df(4, 3) == ground.PRIOR_DF + 6


def test_seasons_before_the_work_tell_against_none() -> None:
    """All treated strips 5 better: a response after the work, ground before it."""
    better = np.full(12, 5.0)
    assert (_factor(better, before=YES) > 1.3 * _factor(better)).all()


def test_a_response_after_the_work_is_not_taken_for_ground() -> None:
    """Six seasons before without a difference, six after with one of 6 each: nothing scatters."""
    before = np.arange(12) < 6
    found = _factor(np.where(before, 0.0, 6.0), before=before)
    assert found == pytest.approx(np.ones(12))


def test_sides_drawn_by_lot_in_each_block_need_no_ground() -> None:
    assert _factor(np.arange(12.0), by_lot=YES) == pytest.approx(np.ones(12))


def test_what_is_taken_off_is_what_two_normals_say() -> None:
    lasting = ground.COMES_BACK * 8.0
    assert ground.carried(8.0, 2.0) == pytest.approx(lasting / (lasting + 2.0))
    assert ground.carried(0.0, 2.0) == 0
