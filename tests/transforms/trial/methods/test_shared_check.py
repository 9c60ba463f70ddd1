"""Strips that share a check: the error of their mean, against numpy's covariance and by simulation."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from transforms.trial.methods import shared_check

PLACE = {"practice": "deep", "field": "Gumbo", "season": 2024}
errors = st.lists(st.floats(1.0, 100.0), min_size=2, max_size=5)


def _rows(*items) -> pl.DataFrame:
    return pl.DataFrame([{**PLACE, "value": v, "error": e, "age": a} for v, e, a in items])


def _once(rows: pl.DataFrame, apart=()) -> pl.DataFrame:
    return shared_check.once(rows, [], ["value"], ["error"], apart)


@given(errors)
def test_the_mean_has_the_variance_of_correlated_differences(found) -> None:
    """By the matrix of covariances: 1'V1 / k^2, with one half off the diagonal."""
    s = np.array(found)
    v = np.outer(s, s) * (0.5 + 0.5 * np.eye(s.size))
    one = np.ones(s.size) / s.size
    out = _once(_rows(*((float(i), e, 1) for i, e in enumerate(found)))).row(0, named=True)
    assert out["error"] == pytest.approx(float(np.sqrt(one @ v @ one)))
    assert out["value"] == pytest.approx((len(found) - 1) / 2)


@given(errors)
def test_two_ages_that_stay_apart_average_to_the_same_error(found) -> None:
    """Equal errors: the plain variance of the mean of the widened rows is that of the shared check."""
    s = found[0]
    rows = _rows((1.0, s, 1), (3.0, s, 3))
    apart = _once(rows, ["age"])
    assert apart.height == 2
    plain = float((apart["error"] ** 2).sum()) ** 0.5 / 2
    assert plain == pytest.approx(_once(rows)["error"][0])


def test_what_stands_alone_is_left_as_it_is_and_an_unknown_error_stays_unknown() -> None:
    alone = _rows((1.0, 2.0, 1), (3.0, 4.0, 1)).with_columns(season=pl.Series([2024, 2025]))
    assert _once(alone).equals(alone)
    assert _once(_rows((1.0, 2.0, 1), (3.0, None, 1)))["error"][0] is None


def test_simulated_strips_that_share_a_check_are_covered_as_often_as_said() -> None:
    """Check and both strips scatter alike; taken as independent the interval would cover too little."""
    rng = np.random.default_rng(3)
    check, one, two = rng.standard_normal((3, 20_000))
    mean = (one + two) / 2 - check
    error = _once(_rows((0.0, 2**0.5, 1), (0.0, 2**0.5, 1)))["error"][0]
    assert np.mean(np.abs(mean) < 1.96 * error) == pytest.approx(0.95, abs=0.006)
    assert np.mean(np.abs(mean) < 1.96) < 0.9  # as if independent


def test_comparisons_are_counted_in_their_fields() -> None:
    names = pl.DataFrame(
        {"field": ["Gumbo", "Home"], "name": ["Gumbo (once against check)", "Home"]}
    )
    rows = pl.DataFrame({"field": ["Gumbo (once against check)", "Home", "elsewhere"]})
    assert shared_check.in_fields(rows, names)["field"].to_list() == ["Gumbo", "Home", "elsewhere"]
