"""response_pooled: groups, counts, averages from three on, and the BCG figures through the table."""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest

from schemas import generated
from schemas.catalogue import TABLES
from tests.transforms.frames import check, rows
from tests.transforms.trial.vaccine_trials import V, Y
from transforms.trial import response_pooled


def _response(items):
    return rows(
        "response",
        [
            {
                "practice": "deep tillage",
                "crop": "spring wheat",
                "operation_day": date(2015, 10, 20),
                "years_since": 1,
                "blocks": 4,
                "check_kg_ha": 3000.0,
                "coverage": 1.0,
                "partial": False,
                "check_worked": False,
                "response_pct": None
                if item["response_kg_ha"] is None
                else item["response_kg_ha"] / 30,
                **item,
            }
            for item in items
        ],
    )


def _derive(items, causes=(), money=()):
    out = response_pooled.derive(
        response=_response(items),
        response_cause=rows("response_cause", list(causes)),
        payback=rows("payback", list(money)),
        comparison=rows("comparison", []),
    )
    check(out, "response_pooled")
    return {(r["grouping"], r["member"]): r for r in out.iter_rows(named=True)}


def _year(i, response_kg_ha, se=50.0, **more):
    return {
        "field": f"f{i}",
        "season": 2016 + i,
        "response_kg_ha": response_kg_ha,
        "response_se_kg_ha": se,
        "response_df": 20.0,
        **more,
    }


def test_bcg_through_the_table() -> None:
    """Viechtbauer 2010 with Hartung-Knapp: -0.714532 (-1.108444 to -0.320621), tau2 .3132."""
    row = _derive(
        [_year(i, float(y), float(v) ** 0.5) for i, (y, v) in enumerate(zip(Y, V, strict=True))]
    )["all", "all"]
    assert row["response_kg_ha"] == pytest.approx(-0.714532, abs=1e-6)
    assert row["response_low_kg_ha"] == pytest.approx(-1.108444, abs=2e-6)
    assert row["between_sd_kg_ha"] ** 2 == pytest.approx(0.3132, abs=5e-5)
    assert row["beyond_chance_share"] == pytest.approx(0.9222, abs=5e-5)
    assert row["next_low_kg_ha"] < row["response_low_kg_ha"]
    assert row["verdict"] == "loss"
    assert row["response_pct"] == pytest.approx(row["response_kg_ha"] / 30, rel=1e-4)


def test_six_of_nine() -> None:
    values = [120, 340, 90, -60, 200, 150, -20, 80, -110]
    row = _derive([_year(i, float(v)) for i, v in enumerate(values)])["all", "all"]
    assert (row["gained"], row["site_years"], row["fields"]) == (6, 9, 9)
    assert (row["gained_low"], row["gained_high"]) == pytest.approx((0.3542, 0.8794), abs=5e-5)


def test_groups_under_three_are_listed_and_not_averaged() -> None:
    out = _derive(
        [
            _year(0, 120.0, crop="canola", years_since=1),
            _year(1, 90.0, crop="canola", years_since=2),
            _year(2, 150.0, years_since=1),
            _year(3, 180.0, years_since=1),
            _year(4, None, years_since=1),
            _year(5, 160.0, years_since=1),
        ]
    )
    canola = out["crop", "canola"]
    assert canola["response_kg_ha"] is None
    assert canola["verdict"] == "too few"
    assert canola["members"] == "f0 2016 +4.0 %; f1 2017 +3.0 %"
    assert "listed, not averaged" in canola["reason"]
    wheat = out["crop", "spring wheat"]
    assert wheat["site_years"] == 3
    assert wheat["coverage"] == pytest.approx(3 / 4)
    assert wheat["partial"]
    assert out["years since", "1"]["site_years"] == 4
    assert out["all", "all"]["response_kg_ha"] == pytest.approx(140, abs=1)


def test_by_season_rain_and_money() -> None:
    items = [_year(i, 100.0 + 40 * i) for i in range(4)]
    causes = [
        {"field": f"f{i}", "season": 2016 + i, "season_rain": rain, "partial": False}
        for i, rain in enumerate(["dry", "dry", "dry", "wet"])
    ]
    money = [
        {
            "field": f"f{i}",
            "season": 2016 + i,
            "operation_day": date(2015, 10, 20),
            "marginal_net_per_ha": 20.0 + 20 * i,
            "cost_per_ha": 60.0,
        }
        for i in range(3)
    ]
    out = _derive(items, causes, money)
    assert out["season rain", "dry"]["site_years"] == 3
    assert out["season rain", "wet"]["response_kg_ha"] is None
    assert (out["all", "all"]["priced"], out["all", "all"]["paid_alone"]) == (3, 1)


def test_verdict_of_groups_allows_for_their_number() -> None:
    rng = np.random.default_rng(2)
    items = [
        _year(10 * c + i, float(rng.normal(0, 60)), crop=f"crop_{c}", years_since=1)
        for c in range(8)
        for i in range(4)
    ]
    out = _derive(items)
    crops = [row for (grouping, _), row in out.items() if grouping == "crop"]
    assert len(crops) == 8
    assert all(row["p_adjusted"] >= row["verdict_p"] >= row["p"] - 1e-12 for row in crops)
    assert any(row["p_adjusted"] > row["verdict_p"] for row in crops)
    assert out["all", "all"]["p_adjusted"] == out["all", "all"]["verdict_p"]


def test_site_years_of_a_field_are_no_new_fields() -> None:
    """Four years each in three fields that differ: the field means say less than twelve would."""
    level = {"a": 20.0, "b": 160.0, "c": 300.0}
    items = [
        _year(i, base + wobble, field=f, season=2016 + i)
        for f, base in level.items()
        for i, wobble in enumerate((-8.0, 5.0, 9.0, -6.0))
    ]
    row = _derive(items)["all", "all"]
    assert row["response_kg_ha"] == pytest.approx(160)
    assert row["verdict"] == "not shown"
    assert row["p"] < 0.01
    assert row["verdict_counts"] == "field"
    # t with two degrees of freedom over three field means that are 140 apart.
    assert row["verdict_high_kg_ha"] - 160 == pytest.approx(4.302653 * 140 / 3**0.5, rel=1e-3)


def test_both_units_count_the_same_observations() -> None:
    """In kg/ha seasons differ most, in percent fields do; the verdict and both intervals go by fields."""
    level = {"a": 500.0, "b": 5000.0, "c": 5000.0}
    items = [
        _year(10 * i, response, 5.0, field=f, season=2016 + i, check_kg_ha=base)
        | {"response_pct": 100 * response / base}
        for f, base in level.items()
        for i, response in enumerate((20.0, 100.0, 180.0))
    ]
    row = _derive(items)["all", "all"]
    assert row["verdict_counts"] == "field"
    # Student's t with two degrees of freedom over three means; in kg/ha those of fields are equal.
    assert row["verdict_high_pct"] - row["verdict_low_pct"] > 4.302653 * 10 / 3**0.5
    assert row["verdict_high_kg_ha"] - row["verdict_low_kg_ha"] < 4.302653 * 80 / 3**0.5


def test_close_agreement_by_chance_is_no_certainty() -> None:
    """Six alike values of three fields, each with an error of 60: the claim goes by the errors."""
    items = [_year(i, 100.0 + i % 2, 60.0, field="abc"[i // 2], season=2016 + i) for i in range(6)]
    row = _derive(items)["all", "all"]
    assert row["response_high_kg_ha"] < 102
    # By fields: t with two degrees of freedom, and an error of 60 / sqrt(6).
    assert row["verdict_counts"] == "field"
    assert row["verdict_high_kg_ha"] - 100.5 == pytest.approx(4.302653 * 60 / 6**0.5, rel=1e-3)
    assert row["verdict"] == "not shown"


def test_without_any_scatter_the_plain_mean_and_no_heterogeneity() -> None:
    values = [100.0, 140.0, 30.0]
    row = _derive([_year(i, v, None) for i, v in enumerate(values)])["all", "all"]
    assert row["response_kg_ha"] == pytest.approx(90)
    assert row["response_se_kg_ha"] == pytest.approx(np.std(values, ddof=1) / 3**0.5, rel=1e-3)
    assert row["beyond_chance_share"] is None
    assert "no scatter" in row["reason"]


def test_seasons_before_the_work_or_with_a_worked_check_do_not_count() -> None:
    out = _derive(
        [
            _year(0, 100.0),
            _year(1, 500.0, operation_day=None, years_since=None),
            _year(2, 500.0, check_worked=True),
        ]
    )
    assert out["all", "all"]["site_years"] == 1


def test_empty() -> None:
    out = response_pooled.derive(
        **{
            name: generated.empty(TABLES[name])
            for name in ("response", "response_cause", "payback", "comparison")
        }
    )
    assert out.is_empty()
