from __future__ import annotations

import polars as pl
import pytest

from transforms.trial.methods.family_verdict import adjusted, with_more_or_less

ROWS = pl.DataFrame(
    {
        "practice": ["a", "a", "a", "b", "b"],
        "p": [0.01, 0.04, None, 0.04, 0.9],
        "gain": [2.0, -1.0, 1.0, -3.0, 1.0],
    }
)


def test_each_family_is_adjusted_for_its_own_questions_and_an_unknown_p_is_none() -> None:
    """Benjamini and Hochberg by hand: p times the number asked over its rank, never falling."""
    found = ROWS.select(adjusted("p", "practice")).to_series().to_list()
    assert found == [pytest.approx(0.02), pytest.approx(0.04), None, pytest.approx(0.08), 0.9]


def test_the_verdict_goes_by_the_adjusted_p() -> None:
    found = with_more_or_less(ROWS, pl.col("gain"))
    assert found["verdict"].to_list() == ["more", "less", "too few", "not shown", "not shown"]
