"""The profile's water over depths that both strips have: no step where a sensor fails."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, timedelta
from typing import Any

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.transforms import frames, soil_frames
from transforms.soil import profile_water_day

DAYS = frames.days("2024-05-01", 60)
SEASON = frames.season("2024-05-01", "2024-08-31", "2024-05-01")
# Water of the three layers in percent; 200, 250 and 300 mm thick; limits 38 and 15.
WATER = {10.0: 30.0, 30.0: 32.0, 60.0: 35.0}
THICK_CM = {10.0: 20.0, 30.0: 25.0, 60.0: 30.0}
STORED = 0.30 * 200 + 0.32 * 250 + 0.35 * 300
AVAILABLE = 0.15 * 200 + 0.17 * 250 + 0.20 * 300
CAPACITY = 0.23 * 750


def derive(
    *,
    lost: Mapping[tuple[str, float], tuple[date, date]] | None = None,
    strips: tuple[str, ...] = ("treated", "check"),
    drawn: list[dict[str, Any]] | None = None,
    demand_mm: float = 5.0,
    seasons: list[dict[str, Any]] | None = None,
    full_pct: float | None = 38.0,
) -> dict[Any, dict[str, Any]]:
    def there(strip: str, depth: float, day: date) -> bool:
        first, last = (lost or {}).get((strip, depth), (date(1900, 1, 1), date(1900, 1, 1)))
        return not first <= day <= last

    water = {
        (strip, depth): {day: (vwc, vwc) if there(strip, depth, day) else None for day in DAYS}
        for strip in strips
        for depth, vwc in WATER.items()
    }
    soil_water, _ = soil_frames.records(water, full_pct=full_pct)
    out = profile_water_day.derive(
        soil_water_day=soil_water,
        drawdown_day=frames.rows("drawdown_day", drawn or []),
        evaporation_day=frames.rows(
            "evaporation_day",
            [{"station": "S", "field": "f", "day": day, "basal_et_mm": demand_mm} for day in DAYS],
        ),
        season=frames.rows("season", [SEASON] if seasons is None else seasons),
    )
    frames.check(out, "profile_water_day")
    return frames.by_key(out, "profile_water_day")


def uptakes(by_depth: Mapping[float, float], strip: str, days: list[date]) -> list[dict[str, Any]]:
    """Rows of uptake in mm a day."""
    return [
        {
            "field": "f",
            "strip": strip,
            "probe": strip,
            "depth_cm": depth,
            "day": day,
            "season": 2024,
            "layer_thickness_cm": THICK_CM[depth],
            "uptake_mm": mm,
            "both_strips": True,
        }
        for depth, mm in by_depth.items()
        for day in days
    ]


def test_water_and_available_water_by_hand() -> None:
    row = derive()["f", "treated", DAYS[10]]
    assert row["water_mm"] == pytest.approx(STORED)
    assert row["available_water_mm"] == pytest.approx(AVAILABLE)
    assert row["available_capacity_mm"] == pytest.approx(CAPACITY)
    assert row["available_water_share"] == pytest.approx(AVAILABLE / CAPACITY)
    assert (row["depths"], row["soil_depth_cm"], row["season"]) == ("10, 30, 60", 75.0, 2024)
    assert (row["coverage"], row["partial"], row["reason"]) == (1.0, False, None)


def test_a_sensor_that_dies_early_is_left_out_of_the_whole_year_in_both_strips() -> None:
    out = derive(lost={("check", 30.0): (DAYS[5], DAYS[-1])})
    assert {row["depths"] for row in out.values()} == {"10, 60"}
    # Layers from 0 to 35 and 35 to 85 cm, the same on every day.
    expected = 0.30 * 350 + 0.35 * 500
    assert [row["water_mm"] for row in out.values()] == pytest.approx([expected] * 2 * len(DAYS))
    assert not any(row["partial"] for row in out.values())


def test_a_sensor_that_fails_for_a_week_costs_that_week_and_says_so() -> None:
    gap = (DAYS[20], DAYS[26])
    out = derive(lost={("check", 60.0): gap})
    for (_, strip, day), row in out.items():
        assert row["depths"] == "10, 30, 60"
        missing = strip == "check" and gap[0] <= day <= gap[1]
        assert (row["water_mm"] is None) == missing
        if not missing:
            assert row["water_mm"] == pytest.approx(STORED)
    row = out["f", "check", DAYS[23]]
    assert row["reason"] == "no water content that day at 60 cm"
    assert row["partial"]
    assert row["coverage"] == pytest.approx(2 / 3)
    # The share is over the two depths that both strips have that day, in both strips.
    share = (0.15 * 200 + 0.17 * 250) / (0.23 * 450)
    assert row["available_water_share"] == pytest.approx(share)
    assert out["f", "treated", DAYS[23]]["available_water_share"] == pytest.approx(share)


@settings(max_examples=20, deadline=None)
@given(
    strip=st.sampled_from(["treated", "check"]),
    depth=st.sampled_from(sorted(WATER)),
    died=st.integers(0, len(DAYS) - 1),
)
def test_no_sum_ever_steps_where_a_sensor_dies(strip: str, depth: float, died: int) -> None:
    out = derive(lost={(strip, depth): (DAYS[died], DAYS[-1])})
    for side in ("treated", "check"):
        known = {row["water_mm"] for (_, s, _), row in out.items() if s == side} - {None}
        assert len({round(mm, 6) for mm in known}) == 1


def test_a_year_ends_with_its_harvest() -> None:
    harvest = DAYS[29]
    seasons = [{**SEASON, "harvested": harvest}]
    out = derive(lost={("check", 30.0): (DAYS[30], DAYS[-1])}, seasons=seasons)
    assert out["f", "check", harvest]["depths"] == "10, 30, 60"
    assert out["f", "check", harvest + timedelta(days=1)]["depths"] == "10, 60"
    assert out["f", "check", harvest + timedelta(days=1)]["season"] is None


def test_a_field_with_one_probe_has_its_water_and_says_so() -> None:
    row = derive(strips=("treated",))["f", "treated", DAYS[3]]
    assert row["water_mm"] == pytest.approx(STORED)
    assert row["partial"]
    assert row["reason"] == "only one strip has a probe"


def test_without_limits_there_is_water_but_no_available_water() -> None:
    row = derive(full_pct=None)["f", "check", DAYS[3]]
    assert row["water_mm"] == pytest.approx(STORED)
    assert row["available_water_mm"] is None
    assert row["available_water_share"] is None
    assert row["reason"] == "limits of the layer not known at 10, 30, 60 cm"


def test_demand_met_by_hand() -> None:
    by_depth = {10.0: 2.0, 30.0: 1.0, 60.0: 0.5}
    drawn = uptakes(by_depth, "treated", DAYS) + uptakes(by_depth, "check", DAYS)
    out = derive(drawn=drawn)
    row = out["f", "treated", DAYS[30]]
    assert row["demand_met_share"] == pytest.approx(3.5 / 5.0)
    assert row["demand_met_d"] == 7
    assert out["f", "treated", DAYS[1]]["demand_met_share"] is None, "two days are too few"
    assert derive(drawn=drawn, demand_mm=0.9)["f", "treated", DAYS[30]]["demand_met_share"] is None


def test_demand_met_compares_the_strips_over_the_same_days_of_each_depth() -> None:
    # The check's 60 cm sensor has four days of the week, on which the treated took more there.
    last = DAYS[24:28]
    drawn = uptakes({10.0: 2.0, 30.0: 1.0}, "treated", DAYS)
    drawn += uptakes({10.0: 1.0, 30.0: 1.0}, "check", DAYS) + uptakes({60.0: 0.5}, "check", last)
    drawn += uptakes({60.0: 0.5}, "treated", DAYS[:24]) + uptakes({60.0: 2.0}, "treated", last)
    out = derive(drawn=drawn)
    treated, check = out["f", "treated", DAYS[27]], out["f", "check", DAYS[27]]
    assert treated["demand_met_share"] == pytest.approx((2 + 1 + 2) / 5)
    assert check["demand_met_share"] == pytest.approx((1 + 1 + 0.5) / 5)
    assert treated["demand_met_d"] == check["demand_met_d"] == 4


def test_a_wider_layer_takes_its_part_of_the_uptake() -> None:
    drawn = [
        row
        for strip in ("treated", "check")
        for row in uptakes({10.0: 2.0, 30.0: 9.0, 60.0: 1.0}, strip, DAYS)
    ]
    row = derive(drawn=drawn, lost={("check", 30.0): (DAYS[2], DAYS[-1])})["f", "check", DAYS[30]]
    # 2 mm of 20 cm become those of 35 cm, 1 mm of 30 cm those of 50 cm.
    assert row["demand_met_share"] == pytest.approx((2 * 35 / 20 + 1 * 50 / 30) / 5)


def test_the_order_of_the_rows_does_not_matter() -> None:
    water = {
        (strip, depth): dict.fromkeys(DAYS, (vwc, vwc))
        for strip in ("treated", "check")
        for depth, vwc in WATER.items()
    }
    soil_water, _ = soil_frames.records(water)
    drawn = frames.rows("drawdown_day", uptakes({10.0: 2.0}, "treated", DAYS))
    evaporation = frames.rows(
        "evaporation_day",
        [{"station": "S", "field": "f", "day": day, "basal_et_mm": 5.0} for day in DAYS],
    )
    season = frames.rows("season", [SEASON])
    found = [
        profile_water_day.derive(rows, drawn, evaporation, season)
        for rows in (soil_water, soil_water.sample(fraction=1, shuffle=True, seed=5))
    ]
    assert found[0].equals(found[1])
    assert found[0].filter(pl.col("water_mm").is_null()).is_empty()
