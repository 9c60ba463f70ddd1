"""more_evidence: more data narrow the interval as they should, and are worth what drawing says."""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest

from schemas import generated
from schemas.catalogue import TABLES
from tests.transforms import invented_trial
from tests.transforms.frames import check, rows
from transforms.trial import more_evidence, response_fade
from transforms.trial.methods.ground import COMES_BACK, SPREAD_POWER

VALUES = [4.0, 8.0, 1.0, 6.0, 9.0, 2.0]
NAMES = ["a", "b", "c", "a", "b", "c"]


def _derive(  # noqa: PLR0917
    values=VALUES,
    se: float | None = 1.5,
    blocks: int = 3,
    cost: float = 30.0,
    names=NAMES,
    verdict="not shown",
):
    items = [
        {
            "field": f,
            "season": 2019 + i // 3,
            "practice": invented_trial.PRACTICE,
            "years_since": 1 + i // 3,
        }
        for i, f in enumerate(names[: len(values)])
    ]
    causes = rows(
        "response_cause",
        [x | {"response_pct": v, "shared_se_pct": se} for x, v in zip(items, values, strict=True)],
    )
    money = rows(
        "payback",
        [
            x
            | {
                "operation_day": date(2018, 10, 20),
                "season_net_per_ha": 5 * v,
                "season_net_se_per_ha": None if se is None else 5 * se,
            }
            for x, v in zip(items, values, strict=True)
        ],
    )
    costs = rows(
        "operation_cost",
        [
            {
                "field": "a",
                "strip": "treated",
                "day": date(2018, 10, 20),
                "practice": invented_trial.PRACTICE,
                "cost_per_ha": cost,
                "partial": False,
            }
        ],
    )
    responses = rows(
        "response",
        [
            {k: x[k] for k in ("field", "season")}
            | {"blocks": blocks, "check_kg_ha": 100.0, "response_df": 1e9}
            | {
                "ground_se_kg_ha": (3.0 * (blocks**SPREAD_POWER - 1)) ** 0.5,
                "response_se_kg_ha": (3.0 * blocks**SPREAD_POWER) ** 0.5,
            }
            for x in items
        ],
    )
    out = more_evidence.derive(
        response=responses,
        response_cause=causes,
        payback=money,
        response_fade=response_fade.derive(causes, money, costs, rows("comparison", [])),
        comparison=rows("comparison", []),
        response_pooled=rows(
            "response_pooled",
            [
                {
                    "practice": invented_trial.PRACTICE,
                    "grouping": "all",
                    "member": "all",
                    "verdict": verdict,
                }
            ],
        ),
    )
    check(out, "more_evidence")
    return {r["choice"]: r for r in out.iter_rows(named=True)}


def test_more_data_narrow_the_interval() -> None:
    out = _derive()
    now, season, pair, field = (
        out[name]
        for name in (
            "as it stands",
            "one more season",
            "one more season and pair of passes",
            "one more season and field",
        )
    )
    assert (now["site_years"], season["site_years"], field["site_years"]) == (6, 9, 10)
    assert now["half_width_pct"] > season["half_width_pct"] > pair["half_width_pct"]
    assert season["half_width_pct"] > field["half_width_pct"]
    assert pair["blocks"] == 4
    assert now["chance_to_show"] < season["chance_to_show"] < field["chance_to_show"]
    assert now["value_per_ha"] == 0
    assert 0 < season["value_per_ha"] < field["value_per_ha"]
    assert 0 < now["wrong_chance"] < 0.5


def test_half_width_as_it_stands_is_that_of_the_pooled_interval() -> None:
    """All variances alike: mean and t interval of the plain values."""
    now = _derive(names=list("abcdef"))["as it stands"]
    sd = np.std(VALUES, ddof=1)
    assert now["response_pct"] == pytest.approx(5.0)
    assert now["half_width_pct"] == pytest.approx(2.570582 * sd / 6**0.5, rel=1e-3)


def test_half_width_with_a_new_field_is_what_drawing_gives() -> None:
    """Six fields of one season and twice that with one field more: t(12) sd / root of 13."""
    field = _derive(names=list("abcdef"))["one more season and field"]
    sd = np.std(VALUES, ddof=1)
    assert field["site_years"] == 13
    assert field["half_width_pct"] == pytest.approx(2.178813 * sd / 13**0.5, rel=1e-3)


def test_where_fields_differ_more_seasons_in_them_help_little() -> None:
    """The same values: once a field's two seasons agree, once they do not."""
    apart = _derive([9.0, 5.0, 1.0, 9.2, 5.1, 0.8], se=0.5)
    mixed = _derive([9.0, 5.0, 1.0, 0.8, 5.1, 9.2], se=0.5)

    def left(out, choice: str) -> float:
        return out[choice]["half_width_pct"] / out["as it stands"]["half_width_pct"]

    assert left(apart, "one more season") > 0.97
    assert left(mixed, "one more season") < 0.93
    assert left(apart, "one more season and field") < 0.9
    assert apart["as it stands"]["half_width_pct"] > mixed["as it stands"]["half_width_pct"]


def test_value_of_data_against_drawing_it() -> None:
    rng = np.random.default_rng(3)
    for net, moved in ((4.0, 6.0), (-4.0, 6.0), (0.0, 2.0)):
        drawn = rng.normal(net, moved, 1_000_000)
        brute = np.maximum(drawn, 0).mean() - max(net, 0.0)
        assert more_evidence._worth(net, moved) == pytest.approx(brute, abs=0.02)
    assert more_evidence._worth(5.0, 0.0) == 0.0


def test_a_second_probe_is_no_yield() -> None:
    row = _derive()["a second probe in each strip"]
    assert row["half_width_pct"] is None
    assert "0.71" in row["reason"]


def test_too_few() -> None:
    row = _derive(VALUES[:2])["one more season"]
    assert row["half_width_pct"] is None
    assert "first step" in row["reason"]
    assert row["partial"]
    assert "first step" in _derive(se=None)["as it stands"]["reason"]


def test_empty() -> None:
    inputs = ("response", "response_cause", "payback", "response_fade", "response_pooled")
    inputs += ("comparison",)
    assert more_evidence.derive(**{n: generated.empty(TABLES[n]) for n in inputs}).is_empty()


def test_enough_is_known_where_the_pooled_verdict_shows_it() -> None:
    assert {row["enough"] for row in _derive(verdict="gain").values()} == {True}
    assert {row["enough"] for row in _derive().values()} == {False}


def test_a_season_before_the_work_and_another_pass_narrow_a_new_field() -> None:
    """Three pairs with a scatter of 3% of the yield, and the ground as published."""
    now, pair, before = (
        _derive()[name]["new_half_width_pct"]
        for name in (
            "as it stands",
            "one more season and pair of passes",
            "one season before the work in a new field",
        )
    )
    noise = 9.0 / 3
    ground = noise * (3**SPREAD_POWER - 1)
    t = 1.959964  # many degrees of freedom in the invented rows
    assert now == pytest.approx(t * (noise + ground) ** 0.5, rel=1e-3)
    assert pair < now
    lasting = COMES_BACK * ground
    rest = noise + ground - lasting
    left = 1 / (1 / lasting + 1 / rest)  # two normals on the lasting part: prior and the season
    assert before == pytest.approx(t * (rest + left) ** 0.5, rel=1e-3)
