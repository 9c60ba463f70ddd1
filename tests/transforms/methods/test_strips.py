from datetime import date

import polars as pl

from tests.transforms.frames import rows
from transforms.methods.strips import shared_rain, strip_rain


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


def _shared(treated: list[float | None], check: list[float | None]) -> dict[str, list[float]]:
    """Rain of one season's days as the balance takes it."""
    days = [date(2024, 6, n + 1) for n in range(len(treated))]
    frame = pl.concat(
        pl.DataFrame(
            {"day": days, "day_rain_mm": rain}, schema_overrides={"day_rain_mm": pl.Float64}
        ).with_columns(field=pl.lit("f"), season=pl.lit(2024), strip=pl.lit(strip))
        for strip, rain in (("treated", treated), ("check", check))
    ).with_columns(mm=shared_rain(["field", "season"]))
    return {s: frame.filter(strip=s)["mm"].to_list() for s in ("treated", "check")}


def test_two_gauges_that_agree_are_one_rain() -> None:
    found = _shared([10.0, 0.0, 5.0], [12.0, 1.0, None])
    assert found["treated"] == [11.0, 0.5, 5.0]
    assert found["check"] == [11.0, 0.5, 5.0]


def test_a_clogged_gauge_does_not_spoil_the_other() -> None:
    found = _shared([10.0, 8.0], [5.0, 4.0])
    assert found == {"treated": [10.0, 8.0], "check": [5.0, 4.0]}
    assert _shared([10.0, 8.0], [10.0, None])["check"] == [10.0, 8.0]
