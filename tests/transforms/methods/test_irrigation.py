"""What a day without a row of irrigation_day means, and one without a depth."""

from datetime import date

from tests.transforms.frames import days, rows
from transforms.methods.irrigation import WETS_MM, with_irrigation

DAYS = days("2024-06-10", 5)


def test_no_row_is_none_and_no_depth_is_unknown() -> None:
    here = {"field": "f", "strip": "check"}
    records = [
        {**here, "day": DAYS[1], "irrigation_mm": 25.0, "irrigation_from": "field book"},
        {**here, "day": DAYS[2], "irrigation_from": "field book"},
        {**here, "day": DAYS[3], "irrigation_from": None},
        {**here, "day": DAYS[4], "irrigation_from": None, "in_later_total": True},
    ]
    records = [{"in_later_total": False, **record} for record in records]
    asked = rows("rain_day", [{"station": "s", **here, "day": day} for day in DAYS])
    out = with_irrigation(asked.select("field", "strip", "day"), rows("irrigation_day", records))
    assert out["day"].to_list() == DAYS
    assert out["irrigation_mm"].to_list() == [0.0, 25.0, None, None, None]
    assert out["irrigation_known"].to_list() == [True, True, False, False, True]
    assert out["wetted_mm"].to_list() == [0.0, 25.0, WETS_MM, 0.0, 0.0]


def test_other_fields_and_strips_are_not_meant() -> None:
    record = {"field": "f", "strip": "check", "day": date(2024, 6, 10), "irrigation_mm": 25.0}
    asked = rows(
        "rain_day",
        [
            {"station": "s", "field": f, "strip": s, "day": date(2024, 6, 10)}
            for f, s in (("f", "treated"), ("g", "check"), (None, None))
        ],
    ).select("field", "strip", "day")
    out = with_irrigation(asked, rows("irrigation_day", [record], in_later_total=False))
    assert out["irrigation_mm"].to_list() == [0.0, 0.0, 0.0]
