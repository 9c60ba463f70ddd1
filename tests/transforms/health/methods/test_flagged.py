from datetime import timedelta
from typing import Any

import polars as pl
import pytest

from tests.transforms.frames import rows, utc
from tests.transforms.health.two_strips import (
    DAYS,
    DEPTHS,
    FIRST,
    LAST,
    N,
    day,
    found,
    health,
    of,
    soil,
    weather,
)

SINCE = N - 30


def flags(*, depth: float = 50.0, **changes: Any) -> pl.DataFrame:
    """A flag on each of the 24 readings of a depth, in the last thirty days."""
    begin = utc(f"{DAYS[SINCE]} 01:00")
    usual = {
        "instrument": "p",
        "depth_cm": depth,
        "quantity_column": "vwc_pct",
        "value": 12.0,
        "flag": "D05",
        "meaning": "suspect",
    }
    hours = [{"time": begin + timedelta(hours=i)} for i in range(24 * 30 - 1)]
    return rows("flagged_reading", hours, **(usual | changes))


def without(depth: float) -> pl.DataFrame:
    return soil(lambda d, i, v: None if d == depth and i >= SINCE else v)


def told(frame: pl.DataFrame) -> list[tuple[str, str, str, Any, Any, bool]]:
    return [f for f in found(frame) if f[2].startswith(("flagged", "no values", "silent", "gap"))]


def test_a_sensor_whose_values_are_all_flagged_is_not_one_without_values() -> None:
    frame = health(soil_day=without(50.0), flagged_reading=flags())
    assert told(frame) == [("p", "50 cm", "flagged as suspect", day(SINCE), LAST, True)]
    (row,) = frame.filter(pl.col("finding") == "flagged as suspect", state="found").to_dicts()
    assert (row["severity"], row["depth_cm"]) == ("hands", 50.0)
    assert row["cause"] == "by its own network or logger: D05"
    # Without flags the same sensor has no values.
    assert of(health(soil_day=without(50.0)), "no values") == [("p", "50 cm", day(SINCE), LAST)]


def test_what_is_flagged_as_frozen_is_only_watched() -> None:
    frame = health(soil_day=without(50.0), flagged_reading=flags(meaning="frozen", flag="D01"))
    assert told(frame) == [("p", "50 cm", "flagged as frozen", day(SINCE), LAST, True)]
    severity = frame.filter(pl.col("finding") == "flagged as frozen", state="found")["severity"]
    assert severity.to_list() == ["watch"]


def test_a_whole_probe_that_is_flagged_is_neither_silent_nor_has_a_gap() -> None:
    gone = soil(lambda d, i, v: None if i >= SINCE else v)
    every = pl.concat(flags(depth=d) for d in DEPTHS)
    assert {f[2] for f in told(health(soil_day=gone, flagged_reading=every))} == {
        "flagged as suspect"
    }


@pytest.mark.parametrize(("share", "expected"), [(1, 1), (2, 1), (3, 0)])
def test_half_of_the_readings_flagged_is_a_finding_and_less_is_not(
    share: int, expected: int
) -> None:
    part = flags().gather_every(share)
    assert len(of(health(flagged_reading=part), "flagged as suspect")) == expected


def test_two_days_of_flags_are_no_finding() -> None:
    few = flags().head(47)
    assert of(health(soil_day=without(50.0), flagged_reading=few), "flagged as suspect") == []


def test_a_station_is_told_by_its_quantity() -> None:
    gone = weather(solar_energy_mj_m2=lambda s, i, v: None if s == "check" and i >= SINCE else v)
    flagged = flags(
        instrument="check", depth=-1.0, quantity_column="solar_radiation_w_m2", flag="S"
    )
    frame = health(weather_day=gone, flagged_reading=flagged)
    assert told(frame) == [("check", "radiation", "flagged as suspect", day(SINCE), LAST, True)]
    good = frame.filter((pl.col("finding") == "flagged as suspect") & (pl.col("state") == "good"))
    assert set(good["instrument"]) == {"check"}  # nothing is known of instruments without flags
    assert "rain gauge" in good["part"].to_list()


def test_flags_of_what_the_field_book_sets_aside_are_no_finding() -> None:
    sheet = rows(
        "do_not_use",
        [{"kind": "probe", "instrument": "p", "what": "all", "from_day": FIRST, "why": "broken"}],
    )
    frame = health(soil_day=without(50.0), flagged_reading=flags(), do_not_use=sheet)
    assert of(frame, "flagged as suspect") == []
