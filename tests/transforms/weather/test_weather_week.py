from datetime import date, timedelta

import pytest

from schemas import generated
from schemas.catalogue import TABLES
from tests.transforms.frames import rows
from transforms.weather import weather_week

MONDAY = date(2025, 6, 2)
NONE = {
    name: generated.empty(TABLES[name])
    for name in ("weather_used_day", "evapotranspiration_day", "heat_day")
}


def days(count, **changes):
    return [
        {
            "station": "a",
            "day": MONDAY + timedelta(days=i),
            "field": "Home",
            "strip": "check",
            "rain_mm": float(i),
            "rain_coverage": 1.0,
            "recorded_d": 1.0,
            "normal_recorded_mm": 2.0,
            "bridged": False,
        }
        | changes
        for i in range(count)
    ]


def test_a_whole_week_sums_to_its_days():
    (week,) = weather_week.derive(rain_day=rows("rain_day", days(7)), **NONE).to_dicts()
    assert week["week_starts"] == MONDAY
    assert week["rain_mm"] == 21.0
    assert week["normal_recorded_mm"] == 14.0
    assert week["departure_mm"] == 7.0
    assert (week["days_whole"], week["coverage"], week["partial"]) == (7, 1.0, False)
    assert week["reason"] is None
    assert week["crop_et_mm"] is None
    assert week["et_days"] == 0


def test_a_sunday_and_the_monday_after_are_two_weeks():
    found = weather_week.derive(rain_day=rows("rain_day", days(8)), **NONE)
    assert found["week_starts"].to_list() == [MONDAY, MONDAY + timedelta(days=7)]
    assert found["partial"].to_list() == [False, True]


def test_lost_days_are_no_zero_and_a_bridged_one_is_no_gap():
    some = days(7)
    lost = {"rain_mm": None, "rain_coverage": 0.0, "recorded_d": 0.0, "normal_recorded_mm": None}
    some[2] |= lost
    some[4] |= lost | {"bridged": True}
    (week,) = weather_week.derive(rain_day=rows("rain_day", some), **NONE).to_dicts()
    assert week["rain_mm"] == 15.0
    assert week["normal_recorded_mm"] == 10.0
    assert week["coverage"] == pytest.approx(6 / 7)
    assert week["partial"] is True
    assert "85 percent" in week["reason"]
    lost = [row | {"rain_mm": None, "recorded_d": 0.0, "rain_coverage": 0.0} for row in days(7)]
    (week,) = weather_week.derive(rain_day=rows("rain_day", lost), **NONE).to_dicts()
    assert week["rain_mm"] is None


def test_heat_and_evapotranspiration_are_of_the_days_that_have_them():
    et = [
        {
            "station": "a",
            "day": MONDAY + timedelta(days=i),
            "reference_et_mm": 5.0,
            "crop_et_mm": 4.0,
        }
        for i in range(3)
    ]
    warm = {"gdd_clipped_c_d": 12.0, "corn_heat_units": 20.0}
    heat = [
        {"field": "Home", "season": 2025, "strip": side, "station": "a", "day": MONDAY, **warm}
        for side in ("check", "treated")
    ]
    given = NONE | {
        "evapotranspiration_day": rows("evapotranspiration_day", et),
        "heat_day": rows("heat_day", heat),
    }
    (week,) = weather_week.derive(rain_day=rows("rain_day", days(7)), **given).to_dicts()
    assert (week["reference_et_mm"], week["crop_et_mm"], week["et_days"]) == (15.0, 12.0, 3)
    assert (week["gdd_clipped_c_d"], week["heat_days"]) == (12.0, 1)
    assert (week["crop_et_days"], week["crop_et_reason"]) == (3, None)


def test_days_without_crop_evapotranspiration_say_why():
    et = [
        {
            "station": "a",
            "day": MONDAY + timedelta(days=i),
            "reference_et_mm": 5.0,
            "crop_et_mm": 4.0 if i < 2 else None,
            "reason": None if i < 2 else "snow on the ground" if i < 6 else "another",
        }
        for i in range(7)
    ]
    given = NONE | {"evapotranspiration_day": rows("evapotranspiration_day", et)}
    (week,) = weather_week.derive(rain_day=rows("rain_day", days(7)), **given).to_dicts()
    assert (week["et_days"], week["crop_et_days"], week["crop_et_mm"]) == (7, 2, 8.0)
    assert week["crop_et_reason"] == "snow on the ground"


def test_a_week_with_doubtful_rain_is_partial_and_says_so():
    (week,) = weather_week.derive(
        rain_day=rows("rain_day", days(7, rain_doubtful=True)), **NONE
    ).to_dicts()
    assert (week["doubtful_d"], week["coverage"], week["partial"]) == (7, 1.0, True)
    assert week["reason"] == "days with rain that is hard to believe: 7"
