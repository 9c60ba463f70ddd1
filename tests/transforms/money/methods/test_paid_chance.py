"""paid_chance: against drawing from what the line says, and toward what the other fields show."""

from __future__ import annotations

from datetime import date

import numpy as np
import polars as pl
import pytest

from transforms.money.methods import paid_chance

WORKED = date(2018, 10, 20)
# Two seasons in each of four fields, all alike but the second field's.
FOUR = {"a": (200.0, 210.0), "b": (40.0, 60.0), "c": (190.0, 205.0), "d": (210.0, 195.0)}


def _drawn(values=FOUR, se: float = 100.0, level: float = 3000.0):
    items = [
        {
            "field": field,
            "operation_day": WORKED,
            "season": 2019 + i,
            "years_since": 1 + i,
            "practice": "deep tillage",
            "response_kg_ha": value,
            "response_se_kg_ha": se,
            "lasting_se_kg_ha": 0.0,
            "check_kg_ha": level,
        }
        for field, both in values.items()
        for i, value in enumerate(both)
    ]
    return paid_chance.drawn(pl.DataFrame(items, infer_schema_length=None)).get("deep tillage")


def _keys(field: str):
    return [(field, WORKED, 2019), (field, WORKED, 2020)]


def test_a_field_that_measured_low_is_drawn_toward_the_others() -> None:
    found = _drawn()
    price = np.array([0.25, 0.25])
    low = found.above(_keys("b"), price, 50.0, 0.0, np.inf)
    sure = _drawn(se=5.0).above(_keys("b"), price, 50.0, 0.0, np.inf)
    # By itself: 25 of value with an error of 35 against a cost of 50.
    assert 0.3 < low < 0.7
    assert sure < 0.01
    assert found.above(_keys("a"), price, 50.0, 0.0, np.inf) > low


def test_probability_is_what_drawing_gives() -> None:
    found = _drawn()
    rng = np.random.default_rng(2)
    cell = rng.choice(found.chance.size, 20_000, p=found.chance)
    at = [found.place[key] for key in _keys("c")]
    part = np.ix_(range(found.chance.size), at, at)
    root = np.linalg.cholesky(found.covariance[part] + 1e-9 * np.eye(2))
    z = rng.normal(size=(cell.size, 2))
    true = found.mean[np.ix_(cell, at)] + np.einsum("mpq,mq->mp", root[cell], z)
    price = rng.normal(0.0, 8.0, cell.size)
    said = found.above(_keys("c"), np.array([0.2, 0.3]), 90.0, 64.0, np.inf)
    assert float((true @ [0.2, 0.3] + price > 90).mean()) == pytest.approx(said, abs=0.015)
    # Student's tails for few degrees of freedom: nearer to a half.
    assert abs(found.above(_keys("c"), np.array([0.2, 0.3]), 60.0, 64.0, 2.0) - 0.5) < abs(
        found.above(_keys("c"), np.array([0.2, 0.3]), 60.0, 64.0, np.inf) - 0.5
    )


def test_crops_of_other_yields_share_percent_not_kilograms() -> None:
    """Everything ten times as large: the same chance at ten times the cost."""
    large = {field: tuple(10 * v for v in both) for field, both in FOUR.items()}
    price = np.array([0.25, 0.25])
    one = _drawn().above(_keys("b"), price, 50.0, 4.0, np.inf)
    other = _drawn(large, 1000.0, 30000.0).above(_keys("b"), price, 500.0, 400.0, np.inf)
    assert one == pytest.approx(other)


def test_where_site_years_scatter_far_beyond_their_errors_each_keeps_its_own() -> None:
    far = {"a": (0.0, 2000.0), "b": (-1600.0, 900.0), "c": (1500.0, -700.0), "d": (300.0, 2500.0)}
    found = _drawn(far, se=50.0)
    variance = found.chance @ np.diagonal(found.covariance, axis1=1, axis2=2)
    assert np.sqrt(variance) == pytest.approx(np.full(8, 50.0), rel=0.03)


def test_one_field_or_one_season_each_is_left_as_measured() -> None:
    assert _drawn({"a": (200.0, 210.0, 190.0, 180.0)}) is None
    assert _drawn({"a": (200.0,), "b": (40.0,), "c": (190.0,)}) is None


def test_a_site_year_outside_the_line_has_no_drawn_chance() -> None:
    assert _drawn().above([("e", WORKED, 2019)], np.array([0.25]), 0.0, 0.0, np.inf) is None
