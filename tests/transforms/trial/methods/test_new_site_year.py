"""What a new field's response would be known to, against the non-central t and against drawn trials."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl
import pytest
from scipy import stats

from schemas import generated
from schemas.catalogue import TABLES
from transforms.trial.methods.new_site_year import PUBLISHED, Scatter, scatter_of


@pytest.mark.parametrize("blocks", [2, 3, 4, 6, 10])
@pytest.mark.parametrize("years", [1, 2, 3, 5])
def test_the_findable_response_has_power_of_four_fifths(blocks: int, years: int) -> None:
    """Cohen 1988, chapter 2, by scipy's non-central t."""
    found = PUBLISHED.findable_pct(blocks, years, by_lot=True)
    df = years * (blocks - 1)
    if df < 2:
        assert found is None
        return
    assert found is not None
    shift = found / (8.8 / (blocks * years) ** 0.5)
    edge = stats.t.ppf(0.975, df)
    power = stats.nct.sf(edge, df, shift) + stats.nct.cdf(-edge, df, shift)
    assert power == pytest.approx(0.8, abs=3e-3)


@pytest.mark.parametrize(
    ("blocks", "effect"), [(3, 3.264044), (4, 2.127949), (6, 1.434545), (10, 0.996002)]
)
def test_the_findable_response_is_that_of_statsmodels(blocks: int, effect: float) -> None:
    """TTestPower().solve_power(nobs=blocks, alpha=0.05, power=0.8) of statsmodels 0.15.0, in standard deviations."""
    assert PUBLISHED.findable_pct(blocks, 1, by_lot=True) / 8.8 == pytest.approx(effect, rel=2e-3)


@pytest.mark.parametrize(("blocks", "years"), [(3, 1), (4, 3)])
def test_drawn_trials_find_it_four_times_out_of_five(blocks: int, years: int) -> None:
    """Blocks drawn with that scatter, judged by scipy's t test within years (their mean taken out)."""
    rng = np.random.default_rng(5)
    true = PUBLISHED.findable_pct(blocks, years, by_lot=True)
    drawn = rng.normal(true, 8.8, (20_000, years, blocks))
    within = drawn.var(axis=2, ddof=1).mean(axis=1)
    t = drawn.mean(axis=(1, 2)) / (within / (blocks * years)) ** 0.5
    found = np.abs(t) > stats.t.ppf(0.975, years * (blocks - 1))
    assert found.mean() == pytest.approx(0.8, abs=0.015)


def test_more_blocks_years_and_the_lot_never_find_less() -> None:
    for scatter in (PUBLISHED, Scatter(9.0, 0.6, 5.0, 3.0, 6)):
        for by_lot in (False, True):
            found = [scatter.findable_pct(blocks, 2, by_lot=by_lot) for blocks in (2, 3, 5, 8)]
            assert found == sorted(found, reverse=True)
            found = [scatter.findable_pct(4, years, by_lot=by_lot) for years in (1, 2, 3, 4)]
            assert found == sorted(found, reverse=True)
        assert scatter.error_pct(4, by_lot=True) < scatter.error_pct(4)
        assert scatter.error_pct(4, before=True) < scatter.error_pct(4)
        # drawn by lot, the ground is no part of the error, so nothing of it can be taken off
        assert scatter.error_pct(4, by_lot=True, before=True) == scatter.error_pct(4, by_lot=True)


def test_the_ground_that_comes_back_does_not_average_out_over_years() -> None:
    """Four tenths of the published excess stay (``ground``: power 0.7, four tenths come back)."""
    after_many = PUBLISHED.error_pct(8, years=10**6)
    excess = 8.8**2 / 8 * (8**0.7 - 1)
    assert after_many**2 == pytest.approx(0.4 * excess, rel=1e-3)


def _responses(*rows: dict[str, float]) -> pl.DataFrame:
    frame = pl.DataFrame(rows).with_columns(
        field=pl.lit("North"), season=2020 + pl.int_range(pl.len())
    )
    return generated.conform(frame, TABLES["response"])


def test_the_farms_own_scatter() -> None:
    """Two site-years of 4 blocks, error of blocks 60 kg/ha of 3,000: 2%; so one block's is 4%."""
    row = {
        "check_kg_ha": 3000.0,
        "response_se_kg_ha": (60.0**2 + 90.0**2) ** 0.5,
        "ground_se_kg_ha": 90.0,
        "response_df": 6.0,
        "blocks": 4,
    }
    found = scatter_of(_responses(row, row))
    assert found is not None
    assert found.block**0.5 == pytest.approx(4.0)
    assert found.ground == pytest.approx(90**2 / (60**2 * (4**0.7 - 1)))
    assert (found.df, found.blocks, found.site_years) == (6.0, 4.0, 2)
    # its own error again, from its own blocks
    assert found.error_pct(4) == pytest.approx(100 * row["response_se_kg_ha"] / 3000)
    assert replace(found, ground=0.0).error_pct(4) == pytest.approx(2.0)


def test_without_known_scatter_there_is_none() -> None:
    assert scatter_of(generated.empty(TABLES["response"])) is None
    assert scatter_of(_responses({"check_kg_ha": 3000.0, "blocks": 1})) is None
