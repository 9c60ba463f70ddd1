"""payback: handbook money, sums, gaps, and the probability of having paid.

Annuity, net present value and internal rate: CHECKS of the house (8 %, 5 years: 3.99271; NPV of
-40000, 10000, 12000, 15000, 18000 at 8 %: 4685.35; IRR of -100, 39, 59, 55, 20: .280948), the
last the example in numpy-financial's documentation.
"""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from schemas import generated
from schemas.catalogue import TABLES
from tests.transforms import invented_trial
from tests.transforms.frames import by_key, check, farm, rows
from transforms.money import operation_cost, payback
from transforms.trial import response

NOTHING = {name: generated.empty(TABLES[name]) for name in ("price", "cost", "farm")}


def _price(season: int, per_kg: float, **more):
    return {
        "field": "all",
        "crop": "spring wheat",
        "season": season,
        "price_per_kg": per_kg,
        "price_as_written": "as invented",
        **more,
    }


def _derive(harvests, operations, prices, costs=(), *, rate: float = 8.0, protein=None):
    """harvests: {season: (treated, check)} of the field north."""
    seasons = invented_trial.seasons([("north", y, "spring wheat") for y in harvests])
    fields = invented_trial.fields("north")
    yields = invented_trial.strip_yields(
        *(invented_trial.passes("north", y, t, c) for y, (t, c) in harvests.items())
    )
    if protein:
        strip = {side: pl.lit(value) for side, value in protein.items()}
        chosen = pl.when(pl.col("strip") == "treated").then(strip["treated"])
        yields = yields.with_columns(
            protein_pct=chosen.otherwise(strip["check"]), protein_se_pct=pl.lit(protein["se"])
        )
    found = response.derive(
        strip_yield=yields,
        season=seasons,
        operation=operations,
        field=fields,
        strip=rows("strip", []),
    )
    out = payback.derive(
        response=found,
        strip_yield=yields,
        operation_cost=operation_cost.derive(operations),
        price=rows("price", list(prices)),
        cost=rows("cost", list(costs)),
        field=fields,
        season=seasons,
        operation=operations,
        farm=farm(discount_rate_pct=rate),
    )
    check(out, "payback")
    return {key[2]: row for key, row in by_key(out, "payback").items()}


def _flat(worth: list[float], cost: float, rate: float):
    """Seasons worth these sums at a price of 1, without scatter between blocks."""
    harvests = {2019 + i: ([1e4 + w] * 2, [1e4] * 2) for i, w in enumerate(worth)}
    operations = invented_trial.operations(
        invented_trial.worked("north", "2018-10-20", contract_cost_per_ha=cost)
    )
    return _derive(harvests, operations, [_price(y, 1.0) for y in harvests], rate=rate)


def test_net_present_value_of_the_handbook() -> None:
    out = _flat([10000, 12000, 15000, 18000], 40000, 8)
    assert out[2022]["npv_per_ha"] == pytest.approx(4685.35, abs=0.005)
    assert [out[y]["cumulative_net_per_ha"] for y in range(2019, 2023)] == pytest.approx(
        [-30000, -18000, -3000, 15000]
    )
    assert [out[y]["paid"] for y in range(2019, 2023)] == [False, False, False, True]
    assert out[2022]["payback_season"] == 2022


def test_annuity_of_the_handbook() -> None:
    out = _flat([100] * 5, 399.271, 8)
    assert out[2023]["npv_per_ha"] == pytest.approx(0.0, abs=5e-4)
    assert out[2023]["irr_pct"] == pytest.approx(8.0, abs=1e-3)
    assert out[2023]["breakeven_response_kg_ha"] == pytest.approx(399.271 / 5)
    assert out[2023]["breakeven_price_per_kg"] == pytest.approx(0.79854, abs=1e-5)


def test_internal_rate_of_the_library() -> None:
    assert _flat([39, 59, 55, 20], 100, 8)[2022]["irr_pct"] == pytest.approx(28.0948, abs=1e-3)


def test_no_scatter_means_no_probability() -> None:
    row = _flat([39], 100, 8)[2019]
    assert row["paid_chance"] is None
    assert "no probability" in row["reason"]


WORKED = invented_trial.worked("north", "2018-10-20", contract_cost_per_ha=60.0)
THREE = {
    2019: ([3300, 3400, 3350], [3000, 3050, 3020]),
    2020: ([3100, 3000, 3150], [3080, 3000, 3060]),
    2021: ([3300, 3420, 3290], [3000, 3100, 3050]),
}
DRYING = {"field": "north", "season": 2019, "what": "drying", "kind": "drying"}


def test_extra_costs_and_the_fields_own_price() -> None:
    out = _derive(
        THREE,
        invented_trial.operations(WORKED),
        [_price(y, 0.2) for y in THREE] + [_price(2020, 0.3, field="north")],
        [
            {**DRYING, "strip": strip, "cost_per_ha": cost}
            for strip, cost in (("treated", 9.0), ("check", 4.0), ("both", 50.0))
        ],
    )
    first = out[2019]
    assert first["season_extra_cost_per_ha"] == 5
    assert first["season_net_per_ha"] == pytest.approx(0.2 * first["response_kg_ha"] - 5)
    assert out[2020]["price_per_kg"] == 0.3
    assert out[2020]["season_extra_cost_per_ha"] == 0
    assert 0.5 < out[2021]["paid_chance"] < 1
    assert out[2021]["cumulative_low_per_ha"] < out[2021]["cumulative_net_per_ha"]
    assert not out[2021]["partial"]


def test_a_repeat_is_credited_with_what_it_adds_or_with_nothing_known() -> None:
    """Two site-years after the first work make no line, so what the repeat added is not known."""
    again = invented_trial.worked("north", "2020-10-20", contract_cost_per_ha=40.0)
    out = _derive(THREE, invented_trial.operations(WORKED, again), [_price(y, 0.2) for y in THREE])
    assert out[2020]["years_since"] == 2
    assert out[2020]["marginal_net_per_ha"] == out[2020]["season_net_per_ha"]
    assert out[2021]["years_since"] == 1
    assert out[2021]["earlier_day"] == WORKED["day"]
    assert out[2021]["season_net_per_ha"] > 0
    assert out[2021]["cumulative_net_per_ha"] is None
    assert out[2021]["verdict"] is None
    assert "what the work before this repeat would still have given" in out[2021]["reason"]


FADING = {
    2019 + i: ([3000 + w + 9, 3000 + w - 9], [3000.0] * 2)
    for i, w in enumerate((400, 300, 200, 100))
}


@pytest.mark.parametrize(
    ("after", "added"), [((400, 300), (400, 300)), ((0, 0), (0, 0)), ((150, 50), (150, 50))]
)
def test_what_the_first_work_still_gave_is_taken_off(after, added) -> None:
    """400, 300, 200, 100 kg/ha: by the fifth year nothing is left, so all after it is the repeat's."""
    harvests = FADING | {
        2023 + i: ([3000 + w + 9, 3000 + w - 9], [3000.0] * 2) for i, w in enumerate(after)
    }
    again = invented_trial.worked("north", "2022-10-20", contract_cost_per_ha=40.0)
    out = _derive(
        harvests, invented_trial.operations(WORKED, again), [_price(y, 0.2) for y in harvests]
    )
    for year, extra in zip((2023, 2024), added, strict=True):
        assert out[year]["earlier_kg_ha"] == pytest.approx(0, abs=40)
        assert out[year]["marginal_net_per_ha"] == pytest.approx(0.2 * extra, abs=8)
    assert out[2023]["cumulative_net_per_ha"] == pytest.approx(
        out[2023]["marginal_net_per_ha"] - 40
    )


def test_missing_price_or_season_is_said_and_adds_nothing() -> None:
    out = _derive(
        {2019: THREE[2019], 2021: THREE[2021]},
        invented_trial.operations(WORKED),
        [_price(2021, 0.2)],
    )
    assert out[2019]["season_net_per_ha"] is None
    assert "no price" in out[2019]["reason"]
    assert out[2019]["cumulative_net_per_ha"] is None
    assert out[2021]["coverage"] == pytest.approx(1 / 3)
    assert out[2021]["partial"]
    assert out[2021]["cumulative_net_per_ha"] == pytest.approx(out[2021]["season_net_per_ha"] - 60)


def test_cost_unknown() -> None:
    out = _derive(
        THREE,
        invented_trial.operations(invented_trial.worked("north", "2018-10-20")),
        [_price(y, 0.2) for y in THREE],
    )
    assert out[2021]["cumulative_net_per_ha"] is None
    assert out[2021]["paid"] is None
    assert "what the work cost" in out[2021]["reason"]


def test_a_cost_with_only_fuel_never_says_that_it_paid() -> None:
    """Fuel of 10 L/ha at 1 a liter against responses worth sixty a season."""
    fuel = invented_trial.worked("north", "2018-10-20", fuel_l_ha=10.0, fuel_price_per_l=1.0)
    whole = WORKED | {"contract_cost_per_ha": 10.0}
    prices = [_price(y, 0.2) for y in THREE]
    partial = _derive(THREE, invented_trial.operations(fuel), prices)[2021]
    known = _derive(THREE, invented_trial.operations(whole), prices)[2021]
    assert partial["paid_chance"] == known["paid_chance"] > 0.8
    assert (partial["verdict"], partial["cost_partial"]) == ("cannot tell yet", True)
    assert known["verdict"] in ("paid", "probably paid")
    assert not known["cost_partial"]


def test_price_spread_widens_and_is_a_95_percent_range() -> None:
    sure = _derive(THREE, invented_trial.operations(WORKED), [_price(y, 0.2) for y in THREE])[2019]
    wide = _derive(
        THREE,
        invented_trial.operations(WORKED),
        [_price(y, 0.2, price_low_per_kg=0.1, price_high_per_kg=0.3) for y in THREE],
    )[2019]
    sd = 0.2 / (2 * 1.959964)
    d, se = sure["response_kg_ha"], sure["season_net_se_per_ha"] / 0.2
    assert wide["season_net_se_per_ha"] ** 2 == pytest.approx(
        (0.2 * se) ** 2 + (d**2 + se**2) * sd**2
    )


def test_probability_against_drawing_the_same_thing() -> None:
    """The sum of seasons, drawn 200,000 times from their own t distributions."""
    row = _derive(THREE, invented_trial.operations(WORKED), [_price(y, 0.2) for y in THREE])
    rng = np.random.default_rng(1)
    last = row[2021]
    draws = sum(
        row[y]["season_net_per_ha"]
        + row[y]["season_net_se_per_ha"] * rng.standard_t(row[y]["season_net_df"], 200_000)
        for y in THREE
    )
    assert float((draws > 60).mean()) == pytest.approx(last["paid_chance"], abs=0.02)


def test_empty() -> None:
    inputs = (
        *("response", "strip_yield", "operation_cost", "price", "cost"),
        *("field", "farm", "season", "operation"),
    )
    out = payback.derive(**{name: generated.empty(TABLES[name]) for name in inputs})
    assert isinstance(out, pl.DataFrame)
    assert out.is_empty()


def test_protein_earns_its_premium_on_the_whole_yield_with_its_error() -> None:
    """Half a point more at 0.01 a kg and point; errors of 0.1 points in each strip add in squares."""
    work = invented_trial.operations(WORKED)
    prices = [_price(y, 0.2, protein_premium_per_kg=0.01) for y in THREE]
    season = next(iter(THREE))
    plain = _derive(THREE, work, [_price(y, 0.2) for y in THREE])[season]
    out = _derive(THREE, work, prices, protein={"treated": 13.5, "check": 13.0, "se": 0.1})
    row, treated = out[season], np.mean(THREE[season][0])
    assert row["protein_difference_pct"] == pytest.approx(0.5)
    assert row["season_quality_value_per_ha"] == pytest.approx(treated * 0.01 * 0.5)
    gained = row["season_net_per_ha"] - plain["season_net_per_ha"]
    assert gained == pytest.approx(treated * 0.01 * 0.5)
    assert row["cumulative_net_per_ha"] - plain["cumulative_net_per_ha"] == pytest.approx(gained)
    more = row["season_net_se_per_ha"] ** 2 - plain["season_net_se_per_ha"] ** 2
    assert more == pytest.approx(2 * (treated * 0.01 * 0.1) ** 2)
    assert row["breakeven_response_kg_ha"] < plain["breakeven_response_kg_ha"]


def test_a_premium_without_protein_of_two_passes_is_said_and_not_counted() -> None:
    prices = [_price(y, 0.2, protein_premium_per_kg=0.01) for y in THREE]
    season = next(iter(THREE))
    row = _derive(THREE, invented_trial.operations(WORKED), prices)[season]
    assert row["season_quality_value_per_ha"] is None
    assert row["season_net_per_ha"] == pytest.approx(row["season_value_per_ha"])
    assert row["partial"]
    assert "protein premium is not counted" in row["reason"]
