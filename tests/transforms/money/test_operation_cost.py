"""operation_cost: parts, contract rate, and what is not known."""

from __future__ import annotations

import pytest

from schemas import generated
from schemas.catalogue import TABLES
from tests.transforms import invented_trial
from tests.transforms.frames import by_key, check
from transforms.money import operation_cost

# 1 US gallon an acre in L/ha; 1 acre in ha (NIST Handbook 44, appendix C).
L_HA_PER_GAL_AC = 3.785411784 / 0.40468564224


def _one(**more):
    out = operation_cost.derive(
        invented_trial.operations(invented_trial.worked("north", "2018-10-20", **more))
    )
    check(out, "operation_cost")
    return next(iter(by_key(out, "operation_cost").values()))


def test_all_in_within_common_practice() -> None:
    """2 gal/ac at 4 dollars a gallon, 12 machine, 8 labour: 28 an acre, in the usual 25 to 40."""
    row = _one(
        fuel_l_ha=2 * L_HA_PER_GAL_AC,
        fuel_price_per_l=4 / 3.785411784,
        machine_cost_per_ha=12 / 0.40468564224,
        labour_cost_per_h=40.0,
        tractor_h=12.0,
        area_ha=60 * 0.40468564224,
    )
    assert row["cost_per_ha"] * 0.40468564224 == pytest.approx(8 + 12 + 8)
    assert row["coverage"] == 1
    assert not row["partial"]
    assert row["reason"] is None


def test_contract_rate_stands_for_the_parts() -> None:
    row = _one(
        contract_cost_per_ha=85.0, fuel_l_ha=20.0, fuel_price_per_l=1.5, other_cost_per_ha=5.0
    )
    assert row["cost_per_ha"] == 90
    assert not row["partial"]


def test_total_fuel_and_area_give_fuel_by_area() -> None:
    row = _one(fuel_l=1200.0, area_ha=60.0, fuel_price_per_l=1.5)
    assert row["fuel_cost_per_ha"] == pytest.approx(30)
    assert row["partial"]
    assert row["coverage"] == pytest.approx(1 / 3)
    assert row["reason"] == "the cost is too low: nothing is known of machine, labour"


def test_nothing_known_is_null_with_a_reason() -> None:
    row = _one()
    assert row["cost_per_ha"] is None
    assert row["partial"]
    assert "nothing" in row["reason"]


def test_empty() -> None:
    out = operation_cost.derive(generated.empty(TABLES["operation"]))
    assert out.is_empty()
