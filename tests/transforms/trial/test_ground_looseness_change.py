"""ground_looseness_change: the line over the years, its verdicts, and what is too little for one.

Outside check: with one field the line is the ordinary one; scipy's ``linregress`` gives it.
"""

from __future__ import annotations

from datetime import date
from typing import Any

import numpy as np
import pytest
from scipy import stats

from tests.transforms.frames import check, rows
from transforms.trial import ground_looseness_change


def row(field: str, year: int, pct: float | None, **more: Any) -> dict[str, Any]:
    found = {"field": field, "practice": "deep tillage", "operation_day": date(2015, 10, 1)}
    found |= {"year": year, "days_seen": 1, "cone_to_cm": 30.0, "cone_index_pct": pct}
    return found | {"coverage": 1.0, "partial": False} | more


def derive(*items: dict[str, Any]) -> dict[str, dict[str, Any]]:
    out = ground_looseness_change.derive(
        rows("ground_looseness", list(items)), rows("comparison", [])
    )
    check(out, "ground_looseness_change")
    return {found["measure"]: found for found in out.to_dicts()}


def test_the_change_of_one_field_is_the_ordinary_line() -> None:
    ratios = np.array([0.70, 0.77, 0.78, 0.90, 0.88])
    found = derive(*(row("a", y, 100 * (r - 1)) for y, r in enumerate(ratios, 1)))["cone index"]
    line = stats.linregress(np.arange(5), np.log(ratios))
    half = stats.t.ppf(0.975, 3) * line.stderr
    ends = [100 * np.expm1(line.slope + d) for d in (0, -half, half)]
    names = ("change_pct", "change_low_pct", "change_high_pct")
    assert [found[name] for name in names] == pytest.approx(ends, rel=1e-4)
    assert found["change_verdict"] == "settling"
    # One field: ground that differs anyway cannot be told from loose ground.
    assert (found["verdict"], found["last_year_pct"]) == ("too few", None)
    assert "under three fields" in found["reason"]


def farm(shift: float, **more: Any) -> list[dict[str, Any]]:
    noise = iter((0.5, -1.0, 1.0, -0.5, 0.0, 1.5, -1.5, 0.2, -0.2))
    return [row(f, y, shift + next(noise), **more) for f in "abc" for y in (1, 2, 3)]


def test_loose_ground_has_less_cone_index_and_more_infiltration() -> None:
    assert derive(*farm(-25.0))["cone index"]["verdict"] == "still loose"
    assert derive(*farm(25.0))["cone index"]["verdict"] == "harder"
    assert derive(*farm(0.0))["cone index"]["verdict"] == "not shown"
    wet = [one | {"infiltration_pct": 60.0, "infiltration_unit": "mm/h"} for one in farm(0.0)]
    found = derive(*(one | {"infiltration_pct": 60 + one["cone_index_pct"]} for one in wet))
    assert found["infiltration"]["verdict"] == "still loose"
    assert found["infiltration"]["p_adjusted"] >= found["infiltration"]["p"]


def test_what_differed_before_the_work_is_taken_off() -> None:
    found = derive(*farm(-25.0, cone_index_before_pct=-25.0))["cone index"]
    assert found["verdict"] == "not shown"
    assert found["last_year_pct"] == pytest.approx(0.0, abs=2.0)


def test_what_cannot_be_compared_is_counted_and_what_nobody_measured_has_no_row() -> None:
    alone = row("d", 1, None, cone_to_cm=None, partial=True, reason="cone index in one strip only")
    found = derive(*farm(-25.0), alone)
    assert set(found) == {"cone index"}
    assert found["cone index"]["coverage"] == pytest.approx(0.9)
    assert "1 of 10" in found["cone index"]["reason"]


def test_four_field_years_of_three_fields_are_held_to_students_t() -> None:
    """A spread of a few percent about -20% is called from many field-years, not from four (bench_looseness)."""
    few = [row("a", 3, -17.7), row("b", 2, -31.3), row("c", 1, -34.3)]
    found = derive(*few, row("c", 2, -33.4))["cone index"]
    assert (found["fields"], found["field_years"]) == (3, 4)
    middle, end = (np.log1p(found[n] / 100) for n in ("last_year_pct", "last_year_high_pct"))
    se = (end - middle) / stats.t.ppf(0.975, 2)
    assert found["p"] == pytest.approx(2 * stats.t.sf(abs(middle) / se, 2), rel=1e-6)
    assert found["verdict"] == "not shown"
