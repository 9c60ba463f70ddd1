"""planned_value: by hand, its interval by simulation, and what is missing with its reason."""

from __future__ import annotations

from datetime import date
from typing import Any

import numpy as np
import polars as pl
import pytest

from tests.transforms import invented_trial
from tests.transforms.frames import by_key, check, rows
from transforms.money import planned_value

PLAN = {
    "field": "north",
    "season": 2026,
    "crop": "canola",
    "yield_kg_ha": 2000.0,
    "price_per_kg": 0.60,
    "price_low_per_kg": 0.50,
    "price_high_per_kg": 0.70,
}
WORKED = {"operation_day": date(2023, 10, 1), "years_since": 2, "fall": 2025}
LINE = [
    {"years_since": 1, "response_pct": 8.0, "response_low_pct": 4.0, "response_high_pct": 12.0},
    {"years_since": 3, "response_pct": 5.0, "response_low_pct": 1.0, "response_high_pct": 9.0},
]


def derive(plan: dict[str, Any] = PLAN, worked: dict[str, Any] = WORKED, line: Any = LINE) -> Any:
    out = planned_value.derive(
        planned_season=rows("planned_season", [plan]),
        field=invented_trial.fields("north"),
        field_outlook=rows("field_outlook", [{"field": "north"} | worked]),
        response_fade=rows(
            "response_fade", line, practice=invented_trial.PRACTICE, cost_per_ha=70.0
        ),
    )
    check(out, "planned_value")
    (row,) = by_key(out, "planned_value").values()
    return row


def test_by_hand() -> None:
    """The third harvest since: 5 % of 2000 kg/ha are 100, at 0.60 that is 60; a new working 8 %: 96."""
    row = derive()
    assert (row["years_since"], row["standing_kg_ha"], row["fresh_kg_ha"]) == (3, 100.0, 160.0)
    assert row["standing_per_ha"] == pytest.approx(60)
    assert row["fresh_per_ha"] == pytest.approx(96)
    assert (row["first_season_per_ha"], row["cost_per_ha"]) == (pytest.approx(36), 70.0)
    assert (row["partial"], row["reason"]) == (False, None)


def test_the_interval_is_that_of_a_simulated_product() -> None:
    """Response and price drawn as normal with their 95 % ranges; half a million draws."""
    row = derive()
    rng = np.random.default_rng(7)
    z = 1.959963985
    response = rng.normal(100, 160 / (2 * z), 500_000)
    price = rng.normal(0.60, 0.20 / (2 * z), 500_000)
    half = z * float((response * price).std())
    assert row["standing_high_per_ha"] - row["standing_per_ha"] == pytest.approx(half, rel=0.01)
    assert row["standing_per_ha"] - row["standing_low_per_ha"] == pytest.approx(half, rel=0.01)


def test_a_price_without_its_range_has_the_responses_interval_alone() -> None:
    row = derive(PLAN | {"price_low_per_kg": None, "price_high_per_kg": None})
    assert row["standing_low_per_ha"] == pytest.approx(20 * 0.60)
    assert row["standing_high_per_ha"] == pytest.approx(180 * 0.60)


def test_a_field_never_worked_gains_all_of_a_first_working() -> None:
    row = derive(worked={"fall": 2025})
    assert (row["years_since"], row["standing_per_ha"], row["partial"]) == (None, None, False)
    assert row["first_season_per_ha"] == pytest.approx(96)


@pytest.mark.parametrize(
    ("change", "line", "reason"),
    [
        ({"yield_kg_ha": None}, LINE, "no yield"),
        ({"price_per_kg": None}, LINE, "no price"),
        ({}, LINE[:1], "what the last working still gives"),
        ({}, [], "too few site-years"),
    ],
)
def test_what_is_missing_is_null_with_a_reason(change, line, reason) -> None:
    row = derive(PLAN | change, line=line)
    assert row["first_season_per_ha"] is None
    assert row["partial"] and reason in row["reason"]


def test_no_plan_no_row() -> None:
    out = planned_value.derive(
        planned_season=rows("planned_season", []),
        field=invented_trial.fields("north"),
        field_outlook=rows("field_outlook", []),
        response_fade=rows("response_fade", []),
    )
    assert isinstance(out, pl.DataFrame) and out.is_empty()
