from datetime import date, timedelta
from typing import Any

import numpy as np
import pytest

from schemas import generated
from schemas.catalogue import TABLES
from tests.transforms.frames import check, days, rows, season
from transforms.roots import root_lead

DEPTH = {"field": "f", "season": 2024, "depth_cm": 50.0}
KEY = {**DEPTH, "crop": "w", "coverage": 0.9, "partial": False}

NOTHING = [
    generated.empty(TABLES[name])
    for name in ("drawdown_day", "soil_water_day", "evapotranspiration_day", "season")
]


def reached(strip: str, early: int, day: int, late: int) -> dict[str, Any]:
    return {
        **KEY,
        "strip": strip,
        "state": "reached",
        "earliest_day": date(2024, 7, early),
        "day": date(2024, 7, day),
        "latest_day": date(2024, 7, late),
    }


def not_seen(strip: str, quiet: date | None) -> dict[str, Any]:
    return {
        **KEY,
        "strip": strip,
        "state": "not seen",
        "quiet_until_day": quiet,
        "watched_to_day": date(2024, 8, 20),
        "reason": "no sustained uptake was seen",
    }


def lead(*arrivals: dict[str, Any]) -> dict[str, Any]:
    frame = root_lead.derive(rows("root_arrival", arrivals), *NOTHING)
    check(frame, "root_lead")
    assert frame.height == 1
    return frame.row(0, named=True)


def test_check_minus_treated_with_both_intervals() -> None:
    row = lead(reached("treated", 1, 6, 10), reached("check", 13, 16, 28))
    assert row["lead_d"] == 10
    # low end: check 3 days earlier and treated 4 later, the root of 9 + 16
    assert row["lead_low_d"] == pytest.approx(10 - 5)
    # high end: check 12 days later and treated 5 earlier, the root of 144 + 25
    assert row["lead_high_d"] == pytest.approx(10 + 13)
    assert row["known"] == "both"
    assert row["reason"] is None
    assert not row["partial"]


def test_a_check_that_was_first_has_a_negative_lead() -> None:
    assert lead(reached("treated", 13, 16, 20), reached("check", 3, 6, 10))["lead_d"] == -10


def test_only_the_treated_strip_gives_a_lower_bound() -> None:
    row = lead(reached("treated", 3, 6, 10), not_seen("check", date(2024, 8, 1)))
    assert row["lead_d"] is None
    assert row["lead_low_d"] == 22  # quiet to 1 August, treated by 10 July at the latest
    assert row["lead_high_d"] is None
    assert row["known"] == "treated only"
    assert row["partial"]
    assert row["reason"] == "check: no sustained uptake was seen"


def test_only_the_check_strip_gives_an_upper_bound() -> None:
    row = lead(not_seen("treated", date(2024, 8, 1)), reached("check", 3, 6, 10))
    assert (row["lead_low_d"], row["lead_high_d"], row["known"]) == (None, -22, "check only")


def test_nothing_is_claimed_of_a_strip_that_was_not_watched_or_not_quiet() -> None:
    out = {**KEY, "strip": "check", "state": "probe out", "partial": True, "reason": "out"}
    assert lead(reached("treated", 3, 6, 10), out)["lead_low_d"] is None
    assert lead(reached("treated", 3, 6, 10), not_seen("check", None))["lead_low_d"] is None
    alone = lead(reached("treated", 3, 6, 10))
    assert alone["lead_low_d"] is None
    assert alone["reason"] == "check: no sensor at this depth"


def test_before_the_record_bounds_by_its_latest_day() -> None:
    before = {
        **KEY,
        "strip": "treated",
        "state": "before the record",
        "latest_day": date(2024, 6, 20),
        "partial": True,
        "reason": "early",
    }
    row = lead(before, reached("check", 3, 6, 10))
    assert row["lead_d"] is None
    assert row["lead_low_d"] == 13  # 3 July less 20 June
    assert row["known"] == "both"


def _found(strip: str, start: float) -> dict[str, Any]:
    """An arrival some days beside the true one: treated late, check early by two."""
    day = date(2024, 5, 11) + timedelta(days=int(start) + (2 if strip == "treated" else -2))
    return {**reached(strip, 1, 8, 15), "earliest_day": day, "day": day, "latest_day": day}


def _seen_together(
    starts: dict[str, float], seed: int, demand: bool = True, uneven: float = 0.5
) -> dict[str, Any]:
    """Both strips' uptake follows the same weather; arrivals are known within a fortnight."""
    rng = np.random.default_rng(seed)
    calendar = days("2024-05-11", 100)
    weather = rng.uniform(1 - uneven, 1 + uneven, len(calendar))
    drawn = []
    for strip, start in starts.items():
        rise = np.clip((np.arange(len(calendar)) - start) / 12, 0, 1)
        uptake = 0.4 * rise * weather + rng.normal(0, 0.04, len(calendar))
        drawn += [
            {**DEPTH, "strip": strip, "probe": strip, "day": d, "uptake_mm": float(u) * 2}
            for d, u in zip(calendar, uptake, strict=True)
        ]
    asked = [
        {"station": "s", "day": d, "field": "f", "reference_et_mm": 5 * float(w)}
        for d, w in zip(calendar, weather, strict=True)
    ]
    frame = root_lead.derive(
        rows("root_arrival", [_found(strip, start) for strip, start in starts.items()]),
        rows("drawdown_day", drawn, layer_thickness_cm=20.0, method="day-night", both_strips=True),
        generated.empty(TABLES["soil_water_day"]),
        rows("evapotranspiration_day", asked if demand else []),
        rows("season", [season("2024-05-01")]),
    )
    check(frame, "root_lead")
    return frame.row(0, named=True)


def test_lead_comes_from_both_strips_together() -> None:
    leads = [_seen_together({"treated": 40, "check": 49}, seed) for seed in range(12)]
    assert np.median([row["lead_d"] for row in leads]) == pytest.approx(9, abs=1)
    assert max(abs(row["lead_d"] - 9) for row in leads) <= 4
    assert sum(row["lead_low_d"] <= 9 <= row["lead_high_d"] for row in leads) >= 10
    back = _seen_together({"treated": 49, "check": 40}, 1)
    assert back["lead_d"] == pytest.approx(-9, abs=4)
    # each strip's own days stay as they were found
    assert (back["treated_day"] - back["check_day"]).days == 9 + 4


def test_the_days_demand_makes_the_lead_surer() -> None:
    starts = {"treated": 40.0, "check": 46.0}
    wide = [_seen_together(starts, seed, demand=False, uneven=0.9) for seed in range(10)]
    narrow = [_seen_together(starts, seed, uneven=0.9) for seed in range(10)]

    def width(leads: list[dict[str, Any]]) -> float:
        return float(np.mean([row["lead_high_d"] - row["lead_low_d"] for row in leads]))

    assert width(narrow) < 0.9 * width(wide)


def test_empty() -> None:
    check(root_lead.derive(generated.empty(TABLES["root_arrival"]), *NOTHING), "root_lead")
