from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
import pytest

from flows.setup.sniff.finding import Sure
from schemas.farm.layout import Layout
from tests.bench.sniffed import weather
from tests.flows.setup.sniff.invented_exports import PLACE, asked, found, hours, sniffed


def radiation(step_s, *, at, days=20, heading="Solar (W/m2)", offset_h=-6, seed=2, clock="time"):
    """Radiation whose stamps stand at ``at`` (0 start, 0.5 middle, 1 end) of each interval."""
    n = days * 86400 // step_s
    ends = [
        datetime(2020, 6, 20, tzinfo=UTC) + timedelta(seconds=step_s * (i + 1)) for i in range(n)
    ]
    times = pl.Series(ends, dtype=pl.Datetime("us", "UTC"))
    values = weather(PLACE, times, step_s, np.random.default_rng(seed))["solar_radiation"]
    stamps = times + timedelta(hours=offset_h) - timedelta(seconds=step_s * (1 - at))
    rows = [(f"{t:%Y-%m-%d %H:%M}", f"{v:.0f}") for t, v in zip(stamps, values, strict=True)]
    return sniffed(f"{clock},{heading}", rows)


@pytest.mark.parametrize("step_s", [1800, 3600])
def test_stamps_at_half_of_each_step_are_middles_if_the_sun_agrees(step_s):
    proposal = radiation(step_s, at=0.5)
    assert (found(proposal, "stamp").value, found(proposal, "stamp").sure) == (
        "middle",
        Sure.LIKELY,
    )
    Layout.model_validate(proposal.layout)


def moments(step_s=3600, heading="Solar (W/m2)"):
    """Radiation on the full hour that is right there: the middle of its interval."""
    ends = [
        datetime(2020, 6, 20, tzinfo=UTC) + timedelta(seconds=step_s * (i + 0.5))
        for i in range(20 * 86400 // step_s)
    ]
    times = pl.Series(ends, dtype=pl.Datetime("us", "UTC"))
    values = weather(PLACE, times, step_s, np.random.default_rng(2))["solar_radiation"]
    stamps = times - timedelta(hours=6) - timedelta(seconds=step_s / 2)
    rows = [(f"{t:%Y-%m-%d %H:%M}", f"{v:.0f}") for t, v in zip(stamps, values, strict=True)]
    return sniffed(f"time,{heading}", rows)


def test_values_on_the_hour_that_the_sun_finds_there_are_moments_or_middles():
    proposal = moments()
    assert proposal.layout["stamp"] == "instant"
    assert "values of that moment (instant), or means" in asked(proposal)["stamp"]
    assert moments(heading="Solar Avg (W/m2)").layout["stamp"] == "middle"
    sampled = moments(heading="Solar (W/m2) Smp")
    assert (sampled.layout["stamp"], "stamp" in asked(sampled)) == ("instant", False)


@pytest.mark.parametrize(("at", "stamp"), [(0, "start"), (1, "end")])
@pytest.mark.parametrize("step_s", [1800, 3600])
def test_ends_and_starts_are_not_taken_for_middles(at, stamp, step_s):
    assert radiation(step_s, at=at).layout["stamp"] == stamp


def test_without_radiation_half_hours_are_asked_about():
    rows = [(t[:-2] + "30", 15 + i % 9) for i, t in enumerate(hours(99))]
    proposal = sniffed("time,Rain (mm)", rows)
    assert proposal.layout["stamp"] == "middle"
    assert "half of each step" in asked(proposal)["stamp"]


def test_days_that_are_stamped_at_noon_are_middles():
    rows = [(t, 15 + i % 9) for i, t in enumerate(hours(24 * 60)) if t.endswith("12:00")]
    proposal = sniffed("time,Air Temp (C)", rows)
    assert (proposal.layout["step"], proposal.layout["stamp"]) == ("1 day", "middle")
    assert "stamp" in asked(proposal)


@pytest.mark.parametrize("heading", ["time_utc", "Time (UTC)", "DateTimeUTC", "UTC time"])
@pytest.mark.parametrize("place", [PLACE, None])
def test_a_heading_that_says_utc_is_believed(heading, place):
    rows = [(t, 5 + i % 3) for i, t in enumerate(hours(99))]
    proposal = sniffed(f"{heading},Rain (mm)", rows, place)
    assert proposal.layout["time"]["offset"] == "Z"
    assert not {"time.zone", "time.offset"} & set(asked(proposal))


def test_a_heading_that_says_utc_where_the_sun_says_otherwise_is_asked_about():
    question = asked(radiation(3600, at=1, clock="time_utc"))["time.zone"]
    assert "which the rest contradicts" in question
    assert "time.zone" not in asked(radiation(3600, at=1, clock="time_utc", offset_h=0))


def test_without_a_place_a_z_is_not_believed_in_silence():
    rows = [(t.replace(" ", "T") + ":00Z", 5 + i % 3) for i, t in enumerate(hours(99))]
    question = asked(sniffed("time,Rain (mm)", rows, None))["time.offset"]
    assert "the stamps say 'Z'" in question
    assert "nothing can check that" in question
