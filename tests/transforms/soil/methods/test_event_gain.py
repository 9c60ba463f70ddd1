from datetime import date

from tests.transforms import frames
from transforms.soil.methods import event_gain


def test_a_station_that_says_nothing_all_month_does_not_speak_for_the_soil() -> None:
    days = [date(2024, 5, 30), date(2024, 5, 31), date(2024, 6, 1)]
    gauge = {"station": "gauge", "coverage": 1.0, "surface_depletion_mm": 2.0}
    meter = {"station": "meter", "coverage": 0.0, "surface_depletion_mm": 20.0}
    late = {"coverage": 0.5, "day": days[2]}  # it has rain since June
    rows = [row | {"day": day} for row in (gauge, meter) for day in days[:2]]
    rows += [gauge | {"day": days[2]}, meter | late]
    found = event_gain.surface(frames.rows("evaporation_day", rows, field="f"), frames.farm())
    assert found["lacks_mm"].to_list() == [2.0, 2.0, 11.0]
