from __future__ import annotations

from datetime import date, datetime, timedelta
from typing import Any

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from schemas import generated
from schemas.catalogue import TABLES
from schemas.compared import as_made
from tests.transforms import frames
from transforms.soil import capture_season

# Student's sleep data (1908, Biometrika 6:1), extra hours of ten patients on two drugs.
SLEEP = (
    [0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0],
    [1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4],
)
SEASONS = [
    {"season": 2023, "seeded": date(2023, 5, 1), "harvested": date(2023, 9, 1)},
    {"season": 2024, "seeded": date(2024, 5, 1), "harvested": date(2024, 9, 1)},
    {"season": 2025, "seeded": date(2025, 5, 1), "harvested": None},
]


def event(began: datetime, **values: Any) -> list[dict[str, Any]]:
    """Rows of both strips; treated and check captures two days after."""
    treated, check = values.pop("captures", (None, None))
    both = treated is not None and check is not None
    return [
        {
            "field": "f",
            "strip": strip,
            "began": began,
            "ended": began + timedelta(hours=2),
            "day": began.date(),
            "rain_mm": 10.0,
            "by_days": False,
            "winter": False,
            "both_strips": both,
            "capture_1d": capture,
            "capture_2d": capture,
            **values,
        }
        for strip, capture in (("treated", treated), ("check", check))
    ]


def derive(
    events: list[list[dict[str, Any]]], seasons: list[dict[str, Any]] | None = None
) -> dict[Any, dict[str, Any]]:
    rows = [row for pair in events for row in pair]
    season = [
        {"field": "f", "crop": "wheat", **s} for s in (SEASONS if seasons is None else seasons)
    ]
    frame = capture_season.derive(frames.rows("rain_event", rows), frames.rows("season", season))
    frames.check(frame, "capture_season")
    return frames.by_key(frame, "capture_season")


def when(day: str) -> datetime:
    return frames.utc(f"{day} 06:00")


def test_the_interval_of_student_s_sleep_data() -> None:
    pairs = zip(*SLEEP, strict=True)
    events = [
        event(when("2024-06-01") + timedelta(days=n), captures=pair) for n, pair in enumerate(pairs)
    ]
    row = derive(events)["f", 2024, 2]
    # mean -1.58, 95 % interval -2.4599 to -.7001 (run with scipy).
    assert row["difference"] == pytest.approx(-1.58)
    assert row["difference_low"] == pytest.approx(-2.4599, abs=1e-4)
    assert row["difference_high"] == pytest.approx(-0.7001, abs=1e-4)
    assert row["capture_treated"] - row["capture_check"] == pytest.approx(row["difference"])
    assert (row["events"], row["common_events"], row["rain_mm"]) == (10, 10, 100.0)
    assert not row["partial"]


def test_rain_after_harvest_is_the_next_crop_s() -> None:
    days = ["2022-12-01", "2023-09-01", "2023-09-02", "2024-09-01", "2024-09-02", "2026-01-01"]
    rows = derive([event(when(day), captures=(0.5, 0.4)) for day in days])
    assert [rows["f", year, 1]["common_events"] for year in (2023, 2024, 2025)] == [2, 2, 2]
    assert rows["f", 2024, 1]["from_day"] == date(2023, 9, 2)
    assert rows["f", 2025, 1]["partial"]
    assert "still stands" in rows["f", 2025, 1]["reason"]


def test_winter_does_not_count_and_one_sided_events_are_named() -> None:
    one_sided = event(when("2024-06-05"), captures=(0.6, None))
    rows = derive(
        [
            event(when("2024-06-01"), captures=(0.6, 0.5)),
            one_sided,
            event(when("2024-06-09"), winter=True),
        ]
    )
    row = rows["f", 2024, 2]
    assert (row["events"], row["common_events"], row["coverage"]) == (2, 1, 0.5)
    assert row["capture_treated"] == 0.6
    assert row["difference_low"] is None
    assert row["partial"]
    assert "1 of 2 events" in row["reason"]
    assert "too few" in row["reason"]


def test_a_season_of_winter_events_alone_says_so() -> None:
    row = derive([event(when(f"2024-06-0{n}"), winter=True) for n in (1, 4, 7)])["f", 2024, 2]
    assert (row["events"], row["capture_treated"]) == (0, None)
    assert row["reason"] == "no rain event outside winter (3 left out for snow or frozen soil)"


def test_a_season_without_rain_events_says_so() -> None:
    row = derive([])["f", 2023, 1]
    assert row["events"] == 0
    assert row["difference"] is None
    assert row["rain_mm"] is None
    assert row["reason"] == "no rain event"
    assert row["partial"]


def test_nothing_gives_nothing() -> None:
    frame = capture_season.derive(frames.rows("rain_event", []), frames.rows("season", []))
    assert frame.schema == generated.polars_schema(as_made(TABLES["capture_season"]))
    assert frame.is_empty()


@settings(max_examples=40, deadline=None)
@given(
    st.lists(st.tuples(st.floats(-1, 2), st.floats(-1, 2)), min_size=3, max_size=30),
)
def test_the_interval_is_that_of_a_paired_t_test(pairs: list[tuple[float, float]]) -> None:
    events = [
        event(when("2024-05-01") + timedelta(days=3 * n), captures=pair)
        for n, pair in enumerate(pairs)
    ]
    row = derive(events)["f", 2024, 2]
    differences = pl.Series([a - b for a, b in pairs])
    sem = stats.sem(differences.to_numpy())
    half = float(stats.t.ppf(0.975, len(pairs) - 1)) * float(sem)
    assert row["difference_high"] - row["difference_low"] == pytest.approx(2 * half, abs=1e-9)
    assert row["difference_low"] <= row["difference"] + 1e-12
