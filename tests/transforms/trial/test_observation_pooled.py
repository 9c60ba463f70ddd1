"""observation_pooled: the vaccine trials through the table, counts under three, false claims.

Outside check: log risk ratios of the thirteen BCG trials, REML with Hartung-Knapp, as R's metafor
gives them (``vaccine_trials``).
"""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest

from tests.transforms.frames import check, rows
from tests.transforms.trial.vaccine_trials import V, Y
from transforms.trial import observation_pooled
from transforms.trial.methods.trial_pooling import pooled


def pair(field: str, year: int, difference: float | None, se: float | None = None, **more):
    return {
        "field": field,
        "day": date(year, 7, 5),
        "what": "infiltration",
        "layer": "all",
        "unit": "mm/h",
        "difference": difference,
        "difference_se": se,
        "practice": "deep tillage",
        "operation_day": date(2015, 10, 1),
        "check_worked": False,
        "treated_places": 2,
        "check_places": 2,
        "coverage": 1.0,
        "partial": False,
        **more,
    }


def derive(*items):
    out = observation_pooled.derive(rows("observation_pair", list(items)), rows("comparison", []))
    check(out, "observation_pooled")
    return {(r["what"], r["layer"], r["unit"]): r for r in out.to_dicts()}


def one(*items):
    (row,) = derive(*items).values()
    return row


def test_published_trials_through_the_table() -> None:
    row = one(
        *(pair(f"f{i}", 2016 + i, y, v**0.5) for i, (y, v) in enumerate(zip(Y, V, strict=True)))
    )
    assert row["difference"] == pytest.approx(-0.7145, abs=5e-4)
    found = pooled(Y, V).cautious
    assert (row["difference_low"], row["difference_high"]) == (
        pytest.approx(found.low, abs=1e-3),
        pytest.approx(found.high, abs=1e-3),
    )
    assert (row["verdict"], row["counted_by"]) == ("less", "site-year")


def test_days_of_a_year_are_one_site_year() -> None:
    row = one(
        pair("a", 2020, 4.0, 1.0),
        pair("a", 2020, 8.0, 1.0, day=date(2020, 8, 1)),
        pair("b", 2020, 6.0, 1.0),
        pair("c", 2021, 6.5, 1.0),
    )
    assert (row["site_years"], row["fields"], row["ahead"]) == (3, 3, 3)
    assert row["difference"] == pytest.approx(6.2, abs=0.2)


def test_under_three_it_is_counted_only_and_one_strip_alone_is_said() -> None:
    row = one(pair("a", 2020, 4.0), pair("b", 2020, -1.0), pair("c", 2020, None))
    assert (row["site_years"], row["ahead"], row["difference"]) == (2, 1, None)
    assert row["verdict"] == "too few"
    assert row["coverage"] == pytest.approx(2 / 3)
    assert "one strip alone" in row["reason"]
    assert "counted" in row["reason"]


def test_before_the_work_or_with_a_worked_check_nothing_counts() -> None:
    none = {"operation_day": None}
    assert derive(pair("a", 2014, 4.0, **none), pair("a", 2020, 4.0, check_worked=True)) == {}


def test_many_quantities_without_effect_claim_few() -> None:
    rng = np.random.default_rng(8)
    claims = 0
    for _ in range(60):
        found = derive(
            *(
                pair(f"f{i}", 2016 + i, float(rng.normal()), 0.5, what=f"what {q}")
                for q in range(6)
                for i in range(5)
            )
        )
        claims += any(row["verdict"] in ("more", "less") for row in found.values())
        assert all(row["p_adjusted"] >= row["p"] for row in found.values())
    assert claims <= 7  # 5 % of 60 is 3; above 7 by chance once in 70
