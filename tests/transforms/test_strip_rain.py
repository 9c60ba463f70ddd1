from datetime import date

from tests.transforms.frames import rows
from transforms.strip_rain import strip_rain

DAY = date(2024, 6, 1)


def test_the_other_strips_gauge_stands_in_and_gaps_stay_gaps() -> None:
    def row(station: str, strip: str, day: int, rain: float, coverage: float) -> dict[str, object]:
        return {
            "station": station,
            "day": date(2024, 6, day),
            "field": "f",
            "strip": strip,
            "rain_mm": rain,
            "rain_coverage": coverage,
        }

    weather = rows(
        "weather_day",
        [
            row("a", "treated", 1, 4.0, 1.0),
            row("b", "check", 1, 6.0, 1.0),
            row("a", "treated", 2, 1.0, 0.4),  # half a day: not the day's rain
            row("b", "check", 2, 8.0, 1.0),
            row("a", "treated", 3, 0.0, 0.2),
        ],
    )
    found = {(s, d.day): r for _, s, d, r, _ in strip_rain(weather).iter_rows()}
    assert found == {
        ("treated", 1): 4.0,
        ("check", 1): 6.0,
        ("treated", 2): 8.0,
        ("check", 2): 8.0,
        ("treated", 3): None,
        ("check", 3): None,
    }
