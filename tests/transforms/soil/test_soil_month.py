from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest

from schemas import generated
from schemas.catalogue import TABLES
from tests.transforms.frames import check
from tests.transforms.ground import Array
from tests.transforms.soil.record_limits import NO_OFFSET, usable
from transforms.soil import soil_month


def months(theta: Array, first: date = date(2024, 4, 1)) -> pl.DataFrame:
    frame = soil_month.derive(*usable(theta, first), NO_OFFSET)
    check(frame, "soil_month")
    return frame


def test_a_month_by_hand() -> None:
    """30 days from 30 % to 44.5 % by half a percent a day: weeks span 3 %."""
    row = months(30 + 0.5 * np.arange(30.0)).row(0, named=True)
    assert (row["day"], row["days"], row["coverage"]) == (date(2024, 4, 1), 30, 1.0)
    assert row["median_pct"] == pytest.approx((30 + 44.5) / 2)
    assert row["lowest_week_pct"] == pytest.approx(33.0)
    assert row["highest_week_pct"] == pytest.approx(44.5 - 3.0)


def test_a_dip_of_less_than_a_week_is_no_limit() -> None:
    theta = np.full(30, 30.0)
    theta[10:16] = 20.0
    theta[20:26] = 40.0
    row = months(theta).row(0, named=True)
    assert (row["lowest_week_pct"], row["highest_week_pct"]) == (30.0, 30.0)


def test_a_week_over_the_turn_of_the_year_is_of_the_month_that_it_ends_in() -> None:
    theta = np.full(60, 30.0)
    theta[27:34] = 25.0  # 28 December to 3 January
    frame = months(theta, date(2024, 12, 1))
    assert frame["day"].to_list() == [date(2024, 12, 1), date(2025, 1, 1)]
    assert frame["lowest_week_pct"].to_list() == [30.0, 25.0]


def test_days_that_cannot_be_used_make_a_month_partial_and_no_week() -> None:
    theta = np.full(30, 30.0)
    theta[::5] = np.nan
    row = months(theta).row(0, named=True)
    assert (row["days"], row["coverage"], row["partial"]) == (24, 0.8, True)
    assert row["lowest_week_pct"] is None
    none = months(np.full(30, np.nan)).row(0, named=True)
    assert (none["days"], none["median_pct"]) == (0, None)
    assert none["reason"] == "no usable water content in the month"


def test_a_week_is_not_of_two_spells() -> None:
    """Out of the soil for seeding, the days before and after are no week together."""
    soil_day, quality = usable(np.concatenate([np.full(40, 30.0), np.full(20, 26.0)]))
    out = pl.col("day").is_between(date(2024, 5, 6), date(2024, 5, 8))
    before = pl.col("day") < date(2024, 5, 6)
    few = pl.col("day") < date(2024, 5, 6) + timedelta(days=6)
    cut = [frame.filter(~out & few) for frame in (soil_day, quality)]
    assert cut[1].filter(~before).height == 3
    assert soil_month.derive(*cut, NO_OFFSET)["lowest_week_pct"].to_list() == [30.0, 30.0]


def test_empty() -> None:
    none = [generated.empty(TABLES[n]) for n in ("soil_day", "soil_quality_day")]
    check(soil_month.derive(*none, NO_OFFSET), "soil_month")
