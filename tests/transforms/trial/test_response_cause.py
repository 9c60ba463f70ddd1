"""response_cause: each cause found where it should be, and named where it is not known."""

from __future__ import annotations

from datetime import date

import pytest

from schemas import generated
from schemas.catalogue import TABLES
from tests.transforms import invented_trial
from tests.transforms.frames import by_key, check, made_by, rows
from transforms.trial import response_cause

EMPTY = {
    name: generated.empty(TABLES[name])
    for name in (
        "response",
        "season",
        "rain_day",
        "irrigation_day",
        "soil_water_day",
        "drawdown_season",
        "capture_season",
        "root_lead",
        "water_use_season",
        "operation_fuel",
        "vegetation_response",
    )
}
RESPONSE = {
    "field": "north",
    "season": 2020,
    "crop": "spring wheat",
    "practice": invented_trial.PRACTICE,
    "operation_day": date(2019, 10, 20),
    "years_since": 1,
    "blocks": 4,
    "response_kg_ha": 240.0,
    "check_kg_ha": 3000.0,
    "response_pct": 8.0,
    "response_se_kg_ha": 60.0,
}


def _derive(**tables):
    out = made_by(
        response_cause,
        **{
            **EMPTY,
            "response": rows("response", [RESPONSE]),
            "season": invented_trial.seasons([("north", 2020, "spring wheat")]),
            **{name: rows(name, items) for name, items in tables.items()},
        },
    )
    check(out, "response_cause")
    return by_key(out, "response_cause")["north", 2020]


def test_unknown_causes_are_null_and_named() -> None:
    row = _derive()
    assert row["season_rain"] is None
    assert row["years_since"] == 1
    assert row["shared_se_pct"] == pytest.approx(2.0)
    assert row["coverage"] == pytest.approx(1 / len(response_cause.CAUSES))
    assert "season_rain_of_normal_pct" in row["reason"]
    assert "years_since" not in row["reason"]


@pytest.mark.parametrize(
    ("pct", "word"), [(60, "dry"), (85, "normal"), (115, "normal"), (120, "wet")]
)
def test_season_rain_is_of_the_last_day_of_the_season(pct: float, word: str) -> None:
    def station(name: str, day: date, value: float):
        return {
            "station": name,
            "day": day,
            "field": "north",
            "season": 2020,
            "season_to_date_of_normal_pct": value,
        }

    row = _derive(
        rain_day=[
            station("a", date(2020, 6, 1), 300.0),
            station("a", date(2020, 9, 10), pct - 2.0),
            station("b", date(2020, 9, 10), pct + 2.0),
        ]
    )
    assert row["season_rain_of_normal_pct"] == pytest.approx(pct)
    assert row["season_rain"] == word


def test_rain_makes_no_irrigated_season_dry() -> None:
    rain = {"station": "a", "day": date(2020, 9, 10), "field": "north", "season": 2020}
    here = {"field": "north", "strip": "check", "season": 2020, "in_later_total": False}
    for put_on, dry in (([0.0], True), ([25.0], False), ([0.0, None], False), ([], True)):
        row = _derive(
            rain_day=[rain | {"season_to_date_of_normal_pct": 60.0}],
            irrigation_day=[
                here | {"day": date(2020, 6, 1 + i), "irrigation_mm": mm}
                for i, mm in enumerate(put_on)
            ],
        )
        assert (row["season_rain"] == "dry") is dry
        assert (row["season_rain_of_normal_pct"] is not None) is dry
        assert ("irrigated" in row["reason"]) is not dry


def test_water_at_seeding_over_the_depths_of_both_strips() -> None:
    def layer(strip: str, depth: float, day: date, storage: float, share: float):
        return {
            "probe": strip,
            "depth_cm": depth,
            "day": day,
            "field": "north",
            "strip": strip,
            "layer_top_cm": 0.0 if depth == 10 else 20.0,
            "layer_bottom_cm": 20.0 if depth == 10 else 60.0,
            "storage_mm": storage,
            "available_water_share": share,
            "quality": "good",
        }

    row = _derive(
        soil_water_day=[
            layer("treated", 10, date(2020, 5, 8), 70.0, 0.9),
            layer("check", 10, date(2020, 5, 8), 60.0, 0.6),
            layer("check", 10, date(2020, 5, 4), 10.0, 0.0),  # longer before
            layer("treated", 10, date(2020, 5, 11), 500.0, 0.1),  # after, and there is one before
            layer("check", 10, date(2020, 5, 11), 10.0, 0.0),
            layer("check", 40, date(2020, 5, 20), 120.0, 0.9),  # after; one strip only
            layer("check", 40, date(2020, 4, 20), 10.0, 0.0),  # too long before
        ]
    )
    assert row["seeding_water_gain_mm"] == pytest.approx(10)
    assert row["seeding_water_share"] == pytest.approx((0.6 * 20 + 0.9 * 40) / 60)


def test_uptake_from_below_the_working_depth() -> None:
    def layer(strip: str, depth: float, uptake: float):
        return {
            "field": "north",
            "season": 2020,
            "strip": strip,
            "depth_cm": depth,
            "uptake_mm": uptake,
        }

    row = _derive(
        drawdown_season=[
            layer("treated", 10, 80.0),
            layer("check", 10, 90.0),
            layer("treated", 40, 50.0),
            layer("check", 40, 30.0),
            layer("treated", 80, 25.0),
            layer("check", 80, 10.0),
            layer("treated", 120, 99.0),  # no check sensor there
        ],
        operation_fuel=[
            {
                "field": "north",
                "strip": "treated",
                "day": date(2019, 10, 20),
                "practice": invented_trial.PRACTICE,
                "working": 1,
                "depth_cm": 38.0,
                "available_water_share": 0.4,
            }
        ],
    )
    assert row["deep_uptake_gain_mm"] == pytest.approx(35)
    assert row["uptake_gain_mm"] == pytest.approx(25)
    assert row["operation_depth_cm"] == 38
    assert row["operation_water_share"] == 0.4


def test_capture_one_day_after_goes_before_two() -> None:
    events = {"field": "north", "season": 2020, "events": 5, "common_events": 4}
    row = _derive(
        capture_season=[
            {**events, "days_after": d, "difference": x} for d, x in ((2, 0.3), (1, 0.1))
        ]
    )
    assert row["capture_gain"] == 0.1


def test_root_lead_is_of_the_depths_that_both_reached() -> None:
    def depth(cm: float, lead: float, known: str):
        return {"field": "north", "season": 2020, "depth_cm": cm, "lead_d": lead, "known": known}

    row = _derive(
        root_lead=[depth(40, 4.0, "both"), depth(60, 8.0, "both"), depth(80, 40.0, "treated only")]
    )
    assert row["root_lead_d"] == pytest.approx(6)


def test_water_use_and_its_efficiency() -> None:
    def strip(name: str, use: float):
        return {
            "field": "north",
            "season": 2020,
            "strip": name,
            "water_use_mm": use,
            "efficiency_change_pct": 3.0,
        }

    row = _derive(water_use_season=[strip("treated", 320.0), strip("check", 290.0)])
    assert row["water_use_gain_mm"] == 30
    assert row["efficiency_change_pct"] == 3
    assert _derive(water_use_season=[strip("treated", 320.0)])["water_use_gain_mm"] is None


def test_empty() -> None:
    assert response_cause.derive(**EMPTY).is_empty()


def test_the_vegetation_index_is_that_of_the_source_with_the_most_days() -> None:
    few = {"field": "north", "season": 2020, "crop": "spring wheat", "source": "drone"}
    few |= {"days_seen": 3, "peak_difference": 0.9, "senescence_later_d": 30.0}
    many = few | {"source": "far", "days_seen": 20, "peak_difference": 0.04}
    many |= {"area_difference_d": 3.5, "green_up_later_d": -2.0, "senescence_later_d": None}
    row = _derive(vegetation_response=[few, many])
    assert row["vegetation_peak_gain"] == pytest.approx(0.04)
    assert row["vegetation_area_gain_d"] == pytest.approx(3.5)
    assert row["green_up_later_d"] == pytest.approx(-2)
    assert row["senescence_later_d"] is None
    assert "senescence_later_d" in row["reason"]
