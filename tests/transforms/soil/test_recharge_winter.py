"""Recharge between two crops against hand-made records: ends, rain and snow, and what is missing."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, timedelta
from typing import Any

import pytest

from tests.transforms import frames
from transforms.soil import recharge_winter

HARVESTED, SEEDED = date(2023, 9, 1), date(2024, 5, 1)
DAYS = frames.days("2023-08-20", 300)
SEASONS = [
    {"field": "f", "season": 2023, "crop": "w", "seeded": date(2023, 5, 1), "harvested": HARVESTED},
    {"field": "f", "season": 2024, "crop": "c", "seeded": SEEDED},
]


def derive(
    *,
    lost: Mapping[str, list[date]] | None = None,
    heated: bool = True,
    unrecorded: list[date] | None = None,
    rain: Mapping[date, dict[str, Any]] | None = None,
    silent: list[date] | None = None,
    spells: list[dict[str, Any]] | None = None,
    seasons: list[dict[str, Any]] | None = None,
    irrigated: Mapping[date, float | None] | None = None,
) -> dict[Any, dict[str, Any]]:
    """Water rises by 0.5 mm a day in the treated strip, 0.4 in the check; 1 mm falls a day."""
    rate = {"treated": 0.5, "check": 0.4}
    profile = [
        {
            "field": "f",
            "strip": strip,
            "day": day,
            "depths": "10, 30, 60",
            "soil_depth_cm": 80.0,
            "water_mm": None if day in (lost or {}).get(strip, []) else 200 + rate[strip] * i,
        }
        for strip in rate
        for i, day in enumerate(DAYS)
    ]
    weather = [
        {
            "station": strip,
            "field": "f",
            "strip": strip,
            "day": day,
            "rain_mm": 1.0,
            "rain_coverage": 0.0 if day in (unrecorded or []) else 1.0,
            "rain_since_day": day,
            "air_temp_mean_c": -5.0 if day.month in (11, 12, 1, 2, 3) else 8.0,
            "gauge_heated": heated,
        }
        for strip in rate
        for day in DAYS
        if day not in (silent or [])
    ]
    measured = ("station", "field", "strip", "day", "rain_mm", "rain_coverage", "rain_since_day")
    rain_days = [
        {name: row[name] for name in measured} | (rain or {}).get(row["day"], {}) for row in weather
    ]
    out = recharge_winter.derive(
        profile_water_day=frames.rows("profile_water_day", profile),
        weather_used_day=frames.rows("weather_used_day", weather),
        rain_day=frames.rows("rain_day", rain_days),
        irrigation_day=frames.irrigation(irrigated, ("treated",)),
        probe_spell=frames.rows("probe_spell", spells or []),
        season=frames.rows("season", SEASONS if seasons is None else seasons),
    )
    frames.check(out, "recharge_winter")
    return frames.by_key(out, "recharge_winter")


def test_recharge_by_hand() -> None:
    out = derive()
    assert set(out) == {("f", 2024, "treated"), ("f", 2024, "check")}
    treated, check = out["f", 2024, "treated"], out["f", 2024, "check"]
    assert (treated["from_day"], treated["to_day"]) == (HARVESTED + timedelta(days=1), SEEDED)
    days = (SEEDED - HARVESTED).days - 1
    assert treated["recharge_mm"] == pytest.approx(0.5 * days)
    assert check["recharge_mm"] == pytest.approx(0.4 * days)
    assert treated["recharge_gain_mm"] == check["recharge_gain_mm"] == pytest.approx(0.1 * days)
    assert treated["rain_mm"] == pytest.approx(days)
    assert treated["recharge_share"] == pytest.approx(0.5)
    assert treated["crop"] == "c"
    assert treated["coverage"] == pytest.approx(days / (days + 1))
    assert (treated["partial"], treated["reason"]) == (False, None)


def test_the_ends_are_days_that_both_strips_have() -> None:
    late = [HARVESTED + timedelta(days=n) for n in range(1, 6)]
    lifted = [SEEDED + timedelta(days=n) for n in range(-3, 1)]
    row = derive(lost={"check": late, "treated": lifted})["f", 2024, "treated"]
    assert row["from_day"] == HARVESTED + timedelta(days=6)
    assert row["to_day"] == SEEDED - timedelta(days=4)
    assert row["partial"]
    assert row["reason"] == "10 days of the winter are not in it"


def test_probes_set_back_after_seeding_count_from_there() -> None:
    lifted = [SEEDED + timedelta(days=n) for n in range(-20, 6)]
    spell = {
        "probe": "p",
        "field": "f",
        "strip": "check",
        "from_day": SEEDED + timedelta(days=6),
    }
    out = derive(lost={"check": lifted, "treated": lifted}, spells=[spell])
    assert out["f", 2024, "check"]["to_day"] == SEEDED + timedelta(days=6)
    assert "two places" in out["f", 2024, "check"]["reason"]
    assert out["f", 2024, "treated"]["reason"] is None


def test_without_water_near_an_end_there_is_no_recharge_and_no_gain() -> None:
    gone = [HARVESTED + timedelta(days=n) for n in range(15)]
    row = derive(lost={"treated": gone, "check": gone})["f", 2024, "check"]
    assert row["recharge_mm"] is None
    assert row["recharge_gain_mm"] is None
    assert row["coverage"] == 0.0
    assert row["reason"] == "no water in the profile near both harvest and seeding"


def test_a_strip_alone_has_its_recharge() -> None:
    out = derive(lost={"check": DAYS})
    assert out["f", 2024, "treated"]["recharge_mm"] is not None
    assert out["f", 2024, "treated"]["recharge_gain_mm"] is None
    assert "to compare with" in out["f", 2024, "treated"]["reason"]


def test_snow_that_no_gauge_can_hold_makes_no_share() -> None:
    row = derive(heated=False)["f", 2024, "treated"]
    assert row["recharge_mm"] is not None
    assert row["recharge_share"] is None
    assert "snow may be missing" in row["reason"]
    assert row["partial"]


def test_days_without_a_gauge_make_no_share() -> None:
    row = derive(unrecorded=frames.days("2023-10-01", 40))["f", 2024, "treated"]
    assert row["recharge_share"] is None
    assert row["rain_coverage"] == pytest.approx(1 - 40 / 242)
    assert "too many days without a record" in row["reason"]


def test_a_total_over_several_days_is_no_gap() -> None:
    silent = frames.days("2023-10-01", 40)
    lost = {"rain_mm": None, "rain_coverage": 0.0, "bridged": True}
    total = {silent[-1] + timedelta(days=1): {"rain_mm": 41.0, "rain_since_day": silent[0]}}
    row = derive(rain=dict.fromkeys(silent, lost) | total)["f", 2024, "check"]
    assert (row["rain_mm"], row["rain_coverage"]) == (pytest.approx(242), 1.0)
    assert row["recharge_share"] == pytest.approx(0.4)


def test_without_any_rain_record_there_is_no_sum_of_it() -> None:
    row = derive(unrecorded=DAYS)["f", 2024, "check"]
    assert (row["rain_mm"], row["rain_coverage"], row["recharge_share"]) == (None, 0.0, None)


def test_water_put_on_while_the_stations_were_silent_counts() -> None:
    out = derive(silent=frames.days("2023-10-01", 3), irrigated={date(2023, 10, 2): 20.0})
    assert out["f", 2024, "treated"]["irrigation_mm"] == 20.0


def test_a_first_season_has_no_winter() -> None:
    assert derive(seasons=SEASONS[1:]) == {}


def test_irrigation_after_harvest_is_in_the_share_of_its_strip() -> None:
    """1 mm a day of rain and 30 mm on the treated strip: 0.5 mm a day is less of a share there."""
    out = derive(irrigated={date(2023, 10, 1): 20.0, date(2023, 10, 9): 10.0, SEEDED: 0.0})
    days = (SEEDED - HARVESTED).days - 1
    treated, check = out["f", 2024, "treated"], out["f", 2024, "check"]
    assert (treated["irrigation_mm"], check["irrigation_mm"]) == (30.0, 0.0)
    assert treated["rain_mm"] == check["rain_mm"] == pytest.approx(days)
    assert treated["recharge_share"] == pytest.approx(0.5 * days / (days + 30))
    assert check == derive()["f", 2024, "check"]
    unknown = derive(irrigated={date(2023, 10, 1): None})["f", 2024, "treated"]
    assert unknown["recharge_mm"] == pytest.approx(0.5 * days)
    assert (unknown["irrigation_mm"], unknown["recharge_share"]) == (None, None)
    assert "irrigation is not known" in unknown["reason"]
