from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest

from tests.transforms.frames import days
from transforms.roots.methods import root_series
from transforms.roots.methods.root_onset import BY_BALANCE, BY_PULSE

FIRST = date(2024, 5, 1)
ROOTED = FIRST + timedelta(days=40)


def group(values: np.ndarray, method: str = "balance") -> pl.DataFrame:
    return pl.DataFrame(
        {
            "day": days("2024-05-01", len(values)),
            "uptake_pct": values,
            "method": method,
            "emerges": FIRST + timedelta(days=10),
        }
    )


# drains much before emergence, less before roots can have come, and 0.5 more once they are there
FADES = np.concatenate([np.full(15, 1.0), np.full(25, 0.3), np.full(30, 0.8)])


def test_the_fall_taken_off_is_that_of_the_days_just_before_roots_can_have_come() -> None:
    found = root_series.series(group(FADES), ROOTED)
    assert found.look is BY_BALANCE
    assert np.isnan(found.uptake[:40]).all()
    assert found.uptake[40:] == pytest.approx([0.5] * 30)
    # not known when they can have come: emergence, and then nothing of it is left
    late = root_series.series(group(FADES), None)
    assert late.uptake[40:] == pytest.approx([-0.2] * 30)


def test_day_night_uptakes_stay_as_they_are() -> None:
    found = root_series.series(group(FADES, "day-night"), ROOTED)
    assert found.look is BY_PULSE
    assert found.uptake[40:] == pytest.approx([0.8] * 30)


def test_too_few_days_before_roots_tell_no_usual_fall() -> None:
    found = root_series.series(group(FADES), FIRST + timedelta(days=3))
    assert found.uptake[40:] == pytest.approx([0.8] * 30)
