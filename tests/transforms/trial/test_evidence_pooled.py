"""Roots and water over site-years: published figures through the table, bounds, words."""

from __future__ import annotations

from datetime import date
from typing import Any

import numpy as np
import pytest

from schemas import generated
from schemas.catalogue import TABLES
from tests.transforms import invented_trial as trial
from tests.transforms.frames import by_key, check, rows
from tests.transforms.trial.vaccine_trials import V, Y
from transforms.trial import evidence_pooled

Z_90 = 1.644854


def derive(n: int, worked: bool = True, **tables: list[dict[str, Any]]) -> dict[Any, Any]:
    """Evidence of ``n`` site-years, each of a field and a season of its own, from 2016 on."""
    names = [f"f{i}" for i in range(n)]
    work = [trial.worked(name, "2015-10-20") for name in names] if worked else []
    given = {
        name: rows(name, tables.get(name, []))
        for name in (
            "root_lead",
            "drawdown_season",
            "water_use_season",
            "recharge_winter",
            "capture_season",
        )
    }
    out = evidence_pooled.derive(
        season=trial.seasons([(name, 2016 + i, "wheat") for i, name in enumerate(names)]),
        operation=trial.operations(*work),
        field=trial.fields(*names),
        comparison=rows("comparison", []),
        **given,
    )
    check(out, "evidence_pooled")
    return {key[1:]: row for key, row in by_key(out, "evidence_pooled").items()}


def place(i: int) -> dict[str, Any]:
    return {"field": f"f{i}", "season": 2016 + i}


def lead(
    i: int, days: float, half: float = 4.0, depth: float = 50.0, **more: Any
) -> dict[str, Any]:
    known = {"lead_d": days, "lead_low_d": days - half, "lead_high_d": days + half, "known": "both"}
    return {**place(i), "depth_cm": depth, **known, **more}


def test_the_statistics_are_those_of_the_yields() -> None:
    """The BCG vaccine trials (Viechtbauer 2010, Hartung-Knapp): -0.7145 (-1.1084 to -0.3206)."""
    leads = [
        lead(i, float(y), Z_90 * float(v) ** 0.5) for i, (y, v) in enumerate(zip(Y, V, strict=True))
    ]
    row = derive(len(Y), root_lead=leads)["root lead", "50"]
    assert row["gain_d"] == pytest.approx(-0.714532, abs=1e-5)
    assert row["gain_low_d"] == pytest.approx(-1.108444, abs=1e-4)
    assert row["gain_high_d"] == pytest.approx(-0.320621, abs=1e-4)
    assert row["next_low_d"] < row["gain_low_d"]
    assert row["verdict"] == "less"
    assert (row["site_years"], row["fields"], row["depth_cm"]) == (13, 13, 50.0)
    assert row["gain_mm"] is None
    assert row["coverage"] == 1.0


def test_a_depth_that_only_one_strip_reached_counts_for_how_often_not_for_the_mean() -> None:
    alone = {"lead_d": None, "known": "treated only", "lead_high_d": None}
    leads = [lead(i, d) for i, d in enumerate([6.0, 8.0, 7.0, -1.0])]
    leads += [lead(4, 0, **alone, lead_low_d=9.0), lead(5, 0, **alone, lead_low_d=-3.0)]
    row = derive(6, root_lead=leads)["root lead", "50"]
    assert (row["site_years"], row["bounded"]) == (4, 2)
    assert row["gain_d"] == pytest.approx(5.0, abs=0.1)
    # The bound of the last one holds no order.
    assert (row["ahead"], row["compared"]) == (4, 5)
    assert row["coverage"] == pytest.approx(4 / 6)
    assert "not in the mean" in row["limits"]
    assert row["reason"] == "not known in 2 of 6 site-years"


def test_each_depth_is_pooled_by_itself() -> None:
    leads = [lead(i, 2.0 + i % 2, depth=30.0) for i in range(4)]
    leads += [lead(i, 12.0 + i % 2, depth=70.0) for i in range(4)]
    out = derive(4, root_lead=leads)
    assert out["root lead", "30"]["gain_d"] == pytest.approx(2.5)
    assert out["root lead", "70"]["gain_d"] == pytest.approx(12.5)


def test_under_three_site_years_are_counted_and_not_averaged() -> None:
    row = derive(3, root_lead=[lead(0, 5.0), lead(1, 7.0)])["root lead", "50"]
    assert row["gain_d"] is None
    assert (row["ahead"], row["compared"], row["verdict"]) == (2, 2, "too few")
    assert "counted, not averaged" in row["reason"]
    assert row["members"] == "f0 2016; f1 2017"


def test_deep_uptake_is_that_below_the_working_depth() -> None:
    taken = [
        {
            **place(i),
            "strip": strip,
            "depth_cm": depth,
            "uptake_mm": mm + i,
            "uptake_error_mm": 5.0,
        }
        for i in range(3)
        for strip, depth, mm in (
            ("treated", 20.0, 90.0),
            ("check", 20.0, 10.0),
            ("treated", 50.0, 30.0),
            ("check", 50.0, 20.0),
            ("treated", 80.0, 12.0),
            ("check", 80.0, 7.0),
        )
    ]
    row = derive(3, drawdown_season=taken)["deep uptake", "all"]
    assert row["gain_mm"] == pytest.approx(15.0)
    # No scatter between site-years: the error of one, 5 mm at two depths of two strips, over root 3.
    half = 4.302653 * 5.0 * 4**0.5 / 3**0.5
    assert row["gain_high_mm"] - row["gain_mm"] == pytest.approx(half, rel=1e-3)
    assert row["verdict"] == "not shown"


def test_efficiency_recharge_and_capture() -> None:
    efficiency = [
        {
            **place(i),
            "strip": strip,
            "efficiency_change_pct": 8.0 + i,
            "efficiency_change_low_pct": 4.0 + i,
            "efficiency_change_high_pct": 12.0 + i,
        }
        for i in range(4)
        for strip in ("treated", "check")
    ]
    recharge = [
        {
            **place(i),
            "strip": strip,
            "recharge_mm": mm,
            "recharge_gain_mm": 20.0 + i,
            "recharge_share": share,
        }
        for i in range(4)
        for strip, mm, share in (("treated", 80.0 + i, 0.4), ("check", 60.0, 0.3))
    ]
    capture = [
        {
            **place(i),
            "days_after": after,
            "difference": d,
            "difference_low": d - 0.05,
            "difference_high": d + 0.05,
            "events": 9,
            "common_events": 9,
        }
        for i in range(4)
        for after, d in ((1, 0.1), (2, 0.5))
    ]
    out = derive(4, water_use_season=efficiency, recharge_winter=recharge, capture_season=capture)
    assert out["water use efficiency", "all"]["gain_pct"] == pytest.approx(9.5)
    assert out["water use efficiency", "all"]["verdict"] == "more"
    assert out["winter recharge", "all"]["gain_mm"] == pytest.approx(21.5)
    assert out["winter recharge share", "all"]["gain_pct"] == pytest.approx(10.0)
    # One day after the rain where that is known.
    assert out["rain capture", "all"]["gain_pct"] == pytest.approx(10.0)
    assert {row["ahead_share"] for row in out.values()} == {1.0}


def test_many_depths_looked_at_make_one_of_them_by_chance() -> None:
    rng = np.random.default_rng(4)
    leads = [
        lead(i, float(rng.normal(0, 3)), 1.0, float(depth))
        for depth in range(10, 130, 10)
        for i in range(4)
    ]
    out = derive(4, root_lead=leads)
    assert all(row["p_adjusted"] >= row["p"] for row in out.values())
    assert any(row["p_adjusted"] > row["p"] for row in out.values())


def test_site_years_before_the_work_do_not_count() -> None:
    assert derive(3, worked=False, root_lead=[lead(i, 5.0) for i in range(3)]) == {}


def test_a_season_that_stands_does_not_count_yet() -> None:
    given = {
        name: generated.empty(TABLES[name]) for name in ("drawdown_season", "water_use_season")
    }
    given |= {name: generated.empty(TABLES[name]) for name in ("recharge_winter", "capture_season")}
    standing = {"field": "f0", "season": 2016, "crop": "wheat", "seeded": date(2016, 5, 1)}
    out = evidence_pooled.derive(
        season=rows("season", [standing]),
        operation=trial.operations(trial.worked("f0", "2015-10-20")),
        field=trial.fields("f0"),
        root_lead=rows("root_lead", [lead(0, 5.0)]),
        comparison=rows("comparison", []),
        **given,
    )
    assert out.is_empty()
