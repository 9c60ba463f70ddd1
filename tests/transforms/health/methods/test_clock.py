from datetime import UTC, date, datetime, timedelta

import numpy as np
import polars as pl
import pytest

from tests.transforms.frames import rows
from transforms.health.methods import clock

FIRST = date(2021, 4, 1)


def days_of_sun(n, seed, error_min=lambda i: 0.0, *, clear=0.35):
    """Days of a station: clear ones with a few minutes of scatter, cloudy ones with an hour or two."""
    rng = np.random.default_rng(seed)
    out = []
    for i in range(n):
        is_clear = rng.random() < clear
        scatter = rng.normal(1.0, 3.0) if is_clear else rng.normal(0, 50)
        out.append(
            {
                "day": FIRST + timedelta(days=i),
                "noon_error_h": (error_min(i) + scatter) / 60,
                "clearness": rng.uniform(0.6, 0.78) if is_clear else rng.uniform(0.05, 0.5),
            }
        )
    return rows("sun_day", out, station="s", coverage=1.0, partial=False)


def found(frame):
    return frame.select("finding", "from_day", "to_day", "clock_error_h").rows()


def test_a_right_clock_is_never_called_wrong():
    """Twenty stations over three years each: no false alarm, and every month looked at."""
    for seed in range(20):
        bad, seen = clock.sun(days_of_sun(1095, seed))
        assert bad.is_empty()
        assert seen["days"].item() > 300


@pytest.mark.parametrize("off_min", [-60, -20, 18, 45])
def test_a_clock_that_jumped_is_found_within_the_month_and_by_how_much(off_min):
    for seed in range(5):
        frame = days_of_sun(400, seed, lambda i: off_min if i >= 200 else 0)
        ((finding, begin, _, error),) = found(clock.sun(frame)[0])
        assert finding == "clock"
        assert 0 <= (begin - FIRST).days - 200 <= 31
        assert error * 60 == pytest.approx(off_min, abs=4)


def test_a_clock_that_drifts_is_found_when_it_matters_and_set_right_it_is_over():
    frame = days_of_sun(500, 3, lambda i: i * 0.1 if i < 300 else 0)  # three minutes a month
    ((_, begin, end, error),) = found(clock.sun(frame)[0])
    assert 90 <= (begin - FIRST).days <= 160
    assert 300 - 15 <= (end - FIRST).days <= 331
    assert abs(error) * 60 < 31


def test_few_clear_days_tell_nothing():
    bad, seen = clock.sun(days_of_sun(60, 1, lambda i: 60, clear=0.02))
    assert bad.is_empty()
    assert seen.is_empty()


def arrivals(n, age_h, *, each_d=1, instrument="s", kind="station"):
    start = datetime(2021, 4, 1, 12, tzinfo=UTC)
    times = [start + timedelta(days=each_d * i) for i in range(n)]
    delivery = rows(
        "delivery",
        [
            {
                "delivery": str(i),
                "sequence": i + 1,
                "received_at": t,
                "last_reading": t - timedelta(hours=age_h(i)),
            }
            for i, t in enumerate(times)
        ],
    )
    of = [{"sequence": i + 1, "kind": kind, "instrument": instrument} for i in range(n)]
    return delivery, rows("delivery_instrument", of)


def scattered(seed, more=lambda i: 0.0):
    rng = np.random.default_rng(seed)
    return lambda i: 0.3 + rng.gamma(1.0, 0.4) + more(i)


NO_SUN = rows("sun_day", [])


def test_a_steady_sender_is_never_called_late():
    for seed in range(15):
        bad, seen = clock.arrival(*arrivals(700, scattered(seed)), NO_SUN)
        assert bad.is_empty()
        assert seen["days"].item() > 500


def test_a_clock_that_runs_slow_shows_in_the_age_of_its_readings_a_probes_too():
    slow = scattered(1, lambda i: max(0, i - 150) * 0.01)  # 0.6 minutes a day
    bad, _ = clock.arrival(*arrivals(400, slow, kind="probe"), NO_SUN)
    ((finding, begin, _, error),) = found(bad)
    assert finding == "clock late"
    assert bad["kind"].item() == "probe"
    assert 190 <= (begin - FIRST).days <= 260
    assert error < -1.5


def test_where_the_sun_says_the_clock_is_right_late_files_are_only_late():
    late = scattered(2, lambda i: 2.0 if i > 200 else 0)
    bad, _ = clock.arrival(*arrivals(400, late), NO_SUN)
    assert bad.height == 1
    assert clock.arrival(*arrivals(400, late), days_of_sun(400, 2))[0].is_empty()


def test_files_fetched_by_hand_have_no_habit():
    by_hand = arrivals(40, lambda i: 12 + i % 9, each_d=30)
    bad, seen = clock.arrival(*by_hand, NO_SUN)
    assert bad.is_empty()
    assert seen.is_empty()


def test_no_rows_give_no_rows():
    empty = [rows(name, []) for name in ("delivery", "delivery_instrument")]
    for bad, seen in (clock.sun(NO_SUN), clock.arrival(*empty, NO_SUN)):
        assert bad.is_empty()
        assert seen.is_empty()
        assert isinstance(bad, pl.DataFrame)
