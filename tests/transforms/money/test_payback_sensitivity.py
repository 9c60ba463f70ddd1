"""payback_sensitivity: each row is what payback itself gives with that input changed."""

from __future__ import annotations

from typing import Any

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from schemas import generated
from schemas.catalogue import TABLES
from tests.transforms import invented_trial
from tests.transforms.frames import by_key, check, farm, rows
from transforms.money import operation_cost, payback, payback_sensitivity
from transforms.trial import response

RESPONSES = {2019: 300.0, 2020: 50.0, 2021: 280.0}


def paid(
    price: float = 1.0,
    gain: float = 1.0,
    cost: float = 1.0,
    responses: dict[int, float] | None = None,
) -> pl.DataFrame:
    """``payback`` of one field with prices, responses and the contract rate times these."""
    responses = RESPONSES if responses is None else responses
    operations = invented_trial.operations(
        invented_trial.worked("north", "2018-10-20", contract_cost_per_ha=60.0 * cost)
    )
    seasons = invented_trial.seasons([("north", y, "spring wheat") for y in responses])
    yields = invented_trial.strip_yields(
        *(
            invented_trial.passes("north", y, [3000 + gain * r] * 2, [3000.0] * 2)
            for y, r in responses.items()
        )
    )
    fields = invented_trial.fields("north")
    found = response.derive(
        strip_yield=yields,
        season=seasons,
        operation=operations,
        field=fields,
        strip=rows("strip", []),
    )
    prices = [
        {"field": "all", "crop": "spring wheat", "season": y, "price_per_kg": price * 0.2}
        | {"price_as_written": "as invented"}
        for y in responses
    ]
    return payback.derive(
        response=found,
        strip_yield=yields,
        operation_cost=operation_cost.derive(operations),
        price=rows("price", prices),
        cost=rows("cost", []),
        field=fields,
        season=seasons,
        operation=operations,
        farm=farm(discount_rate_pct=5.0),
    )


def net(table: pl.DataFrame) -> float:
    return float(table.sort("season")["cumulative_net_per_ha"][-1])


def derive(table: pl.DataFrame) -> dict[tuple[str, float], dict[str, Any]]:
    out = payback_sensitivity.derive(table)
    check(out, "payback_sensitivity")
    return {key[2:]: row for key, row in by_key(out, "payback_sensitivity").items()}


@pytest.mark.parametrize(
    ("name", "word"), [("price", "price"), ("response", "gain"), ("cost", "cost")]
)
@pytest.mark.parametrize("pct", payback_sensitivity.CHANGES_PCT)
def test_each_row_is_payback_with_that_input_changed(name: str, word: str, pct: float) -> None:
    row = derive(paid())[name, pct]
    changed = paid(**{word: 1 + pct / 100})
    assert row["cumulative_net_per_ha"] == pytest.approx(net(changed))
    assert row["paid"] == changed.sort("season")["paid"][-1]
    assert row["season"] == 2021


def test_by_hand() -> None:
    """630 kg/ha at 0.20 are 126, less 60: 66; a tenth of the value is 12.6, a fifth of the cost 12."""
    found = derive(paid())
    assert found["price", -10.0]["cumulative_net_per_ha"] == pytest.approx(66 - 12.6)
    assert found["cost", 20.0]["difference_per_ha"] == pytest.approx(-12)


def test_a_part_of_the_cost_may_not_say_that_it_paid() -> None:
    part = paid().with_columns(
        cost_partial=pl.lit(True), partial=pl.lit(True), reason=pl.lit("part")
    )
    assert {row["paid"] for row in derive(part).values()} == {None}
    assert {row["partial"] for row in derive(part).values()} == {True}


def test_what_the_work_before_would_have_given_changes_with_prices_and_not_with_responses() -> None:
    repeat = paid().with_columns(
        earlier_kg_ha=pl.lit(100.0), marginal_net_per_ha=pl.col("season_net_per_ha") - 20.0
    )
    found = derive(repeat.with_columns(cumulative_net_per_ha=pl.lit(6.0)))
    assert found["price", 10.0]["difference_per_ha"] == pytest.approx(0.1 * (630 - 300) * 0.2)
    assert found["response", 10.0]["difference_per_ha"] == pytest.approx(0.1 * 630 * 0.2)


def test_nothing_without_a_sum() -> None:
    assert derive(generated.empty(TABLES["payback"])) == {}
    assert derive(paid().with_columns(cost_per_ha=pl.lit(None, pl.Float64))) == {}


@settings(max_examples=25, deadline=None)
@given(st.lists(st.floats(-500, 900), min_size=1, max_size=4))
def test_opposite_changes_move_the_sum_alike(values: list[float]) -> None:
    found = derive(paid(responses={2019 + i: v for i, v in enumerate(values)}))
    for name in ("price", "response", "cost"):
        up, down = found[name, 20.0], found[name, -20.0]
        assert up["difference_per_ha"] == pytest.approx(-down["difference_per_ha"])
