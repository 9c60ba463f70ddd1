"""in_all: a worked example by hand, and work of which the area is not known.

By hand: -12.50 a hectare over 4.8 ha is -60.00 (48,000 m² at 0.125 cents a square meter).
"""

from __future__ import annotations

from datetime import date

import polars as pl
import pytest

from tests.transforms.frames import rows
from transforms.money.methods import in_all

DAY = date(2021, 10, 1)
WORK = {"field": "north", "day": DAY, "practice": "deep tillage"}


def _sums(*work: dict[str, object]) -> dict[str, object]:
    sums = pl.DataFrame(
        {
            "field": ["north"],
            "practice": ["deep tillage"],
            "operation_day": [DAY],
            "cumulative_net_per_ha": [-12.5],
            "cumulative_low_per_ha": [-40.0],
            "cumulative_high_per_ha": [15.0],
        }
    )
    return in_all.with_sums(sums, rows("operation", list(work))).to_dicts()[0]


def test_the_sum_in_all_is_that_by_area_times_the_area_worked() -> None:
    check = WORK | {"strip": "check", "area_ha": 100.0}
    out = _sums(WORK | {"strip": "treated", "area_ha": 4.8}, check)
    assert out["worked_ha"] == 4.8
    assert out["cumulative_net"] == pytest.approx(-60.0)
    assert (out["cumulative_low"], out["cumulative_high"]) == pytest.approx((-192.0, 72.0))


def test_without_an_area_nothing_is_said_of_all() -> None:
    out = _sums(WORK | {"strip": "treated"})
    assert [out[f"cumulative_{name}"] for name in in_all.SUMS] == [None] * 3
