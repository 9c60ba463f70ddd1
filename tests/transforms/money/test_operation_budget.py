"""operation_budget: which cost counts, own beside custom by hand, and the cost in all."""

from __future__ import annotations

from typing import Any

import pytest

from schemas import generated
from schemas.catalogue import TABLES
from tests.transforms import invented_trial
from tests.transforms.frames import by_key, check, farm, rows
from transforms.money import operation_budget, operation_cost

ACRE = 0.40468564224  # hectares (NIST Handbook 44, appendix C)
OWN = {
    "fuel_l_ha": 20.0,
    "fuel_price_per_l": 1.0,
    "machine_cost_per_ha": 18.0,
    "labour_cost_per_ha": 12.0,
}


def one(currency: str = "USD", practice: str = "deep tillage", **more: Any) -> dict[str, Any]:
    work = invented_trial.operations(
        invented_trial.worked("north", "2018-10-20") | {"practice": practice} | more
    )
    out = operation_budget.derive(
        operation=work,
        operation_cost=operation_cost.derive(work),
        field=rows("field", [{"field": "north", "area_ha": 60.0, "practice": practice}]),
        farm=farm(currency=currency),
    )
    check(out, "operation_budget")
    (row,) = by_key(out, "operation_budget").values()
    return row


def test_own_cost_beside_the_published_rate_by_hand() -> None:
    """20 + 18 + 12 = 50 a hectare; 23.45 an acre are 57.95 a hectare: own is 7.95 cheaper."""
    row = one(**OWN, area_ha=4.0)
    assert (row["taken"], row["own_cost_per_ha"]) == ("own", 50.0)
    assert row["published_rate_per_ha"] == pytest.approx(57.946, abs=1e-3)
    assert row["published_from"] == "Iowa Farm Custom Rate Survey, 2019"
    assert row["own_less_custom_per_ha"] == pytest.approx(-7.946, abs=1e-3)
    assert (row["cost"], row["field_cost"]) == (200.0, 3000.0)


def test_a_custom_rate_that_was_paid_counts_and_is_compared() -> None:
    row = one(**OWN, contract_cost_per_ha=45.0, area_ha=4.0)
    assert (row["taken"], row["own_less_custom_per_ha"], row["cost"]) == ("custom", 5.0, 180.0)


def test_part_of_a_cost_is_not_compared_and_a_published_rate_never_fills_it() -> None:
    row = one(fuel_l_ha=20.0, fuel_price_per_l=1.0, area_ha=4.0)
    assert (row["own_cost_per_ha"], row["own_less_custom_per_ha"]) == (None, None)
    assert (row["cost"], row["partial"]) == (80.0, True)
    assert "machine, labour" in row["reason"]


def test_parts_that_the_book_lacks_are_filled_at_published_rates_by_hour_by_hand() -> None:
    """Two hours on 4 ha are half an hour a hectare: 126.10 / 2 = 63.05, 24.20 / 2 = 12.10; fuel of the book 20."""
    row = one(fuel_l_ha=20.0, fuel_price_per_l=1.0, area_ha=4.0, tractor_h=2.0)
    assert row["own_filled_per_ha"] == pytest.approx(20 + 63.05 + 12.10)
    assert row["filled_from"] == (
        "machine (University of Illinois, 2021), labour (University of Illinois, 2019)"
    )
    assert row["own_less_custom_per_ha"] == pytest.approx(95.15 - 57.946, abs=1e-3)
    assert (row["own_cost_per_ha"], row["cost"], row["partial"]) == (
        None,
        80.0,
        True,
    )  # not charged


def test_fuel_is_filled_at_the_books_own_price_in_any_currency() -> None:
    """13.6 US gallons (3.785411784 L) an hour at 1.50 a liter, half an hour a hectare."""
    own = {"machine_cost_per_ha": 18.0, "labour_cost_per_ha": 12.0}
    row = one("CAD", fuel_price_per_l=1.5, area_ha=4.0, tractor_h=2.0, **own)
    assert row["own_filled_per_ha"] == pytest.approx(13.6 * 3.785411784 * 1.5 / 2 + 30)
    assert row["filled_from"] == "fuel (University of Illinois, 2021)"


@pytest.mark.parametrize(
    ("currency", "more"),
    [
        ("USD", OWN),
        ("CAD", {"fuel_l_ha": 20.0, "fuel_price_per_l": 1.0}),
        ("USD", {"machine_cost_per_ha": 18.0}),
        ("USD", {"fuel_l_ha": 20.0, "fuel_price_per_l": 1.0, "tractor_h": None}),
    ],
    ids=["nothing lacks", "rates of another currency", "no price of fuel", "no hours"],
)
def test_what_cannot_be_filled_stays_empty(currency, more) -> None:
    row = one(currency, **{"area_ha": 4.0, "tractor_h": 2.0, **more})
    assert (row["own_filled_per_ha"], row["filled_from"]) == (None, None)


def test_a_published_own_cost_stands_beside_by_hand() -> None:
    """22.50 an acre are 55.60 a hectare."""
    row = one(**OWN, area_ha=4.0)
    assert row["published_own_per_ha"] == pytest.approx(22.5 / ACRE)
    assert row["published_own_from"] == "University of Illinois machinery cost estimates, 2019"
    assert one("CAD", **OWN)["published_own_per_ha"] is None


def test_a_farm_in_canada_has_a_rate_of_its_own_by_hand() -> None:
    """29 CAD an acre: no exchange of the rate in dollars of the United States."""
    row = one("CAD", **OWN)
    assert row["published_rate_per_ha"] == pytest.approx(29 / ACRE)
    assert row["published_from"] == "Ontario Survey of Custom Farmwork Rates, 2015"


@pytest.mark.parametrize(("currency", "practice"), [("AUD", "deep tillage"), ("USD", "gypsum")])
def test_a_published_rate_is_of_its_own_currency_and_practice(currency, practice) -> None:
    row = one(currency, practice, **OWN)
    assert (row["published_rate_per_ha"], row["published_from"]) == (None, None)
    assert row["cost"] is None  # no area in the book


def test_no_operation_no_row() -> None:
    empty = generated.empty(TABLES["operation"])
    out = operation_budget.derive(
        operation=empty,
        operation_cost=operation_cost.derive(empty),
        field=invented_trial.fields(),
        farm=farm(),
    )
    assert out.is_empty()
