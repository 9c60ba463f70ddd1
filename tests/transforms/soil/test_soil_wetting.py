from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest

from schemas import generated
from schemas.catalogue import TABLES
from tests.transforms.frames import check
from tests.transforms.soil.record_limits import FIRST, NO_OFFSET, usable
from transforms.soil import soil_wetting

LEAD = 40


def rests(
    after_peak: list[float], tail: float = 0.5, gap: int = 0, first: date = FIRST
) -> pl.DataFrame:
    """Of a record: dry at 30, a wetting (after so many days out of the soil), then these days, then falling."""
    drying = [after_peak[-1] - tail * (i + 1) for i in range(30)]
    series = np.array([30.0] * LEAD + after_peak + drying)
    shift = pl.when(pl.col("day") >= first + timedelta(days=LEAD)).then(pl.duration(days=gap))
    late = pl.col("day") + shift.otherwise(pl.duration(days=0))
    found = soil_wetting.derive(
        *(f.with_columns(late.alias("day")) for f in usable(series, first)), NO_OFFSET
    )
    check(found, "soil_wetting")
    return found


def test_a_saturated_top_is_no_rest() -> None:
    """It stands at 40 for two days before it drains; rest comes at 35.5, not at 40."""
    found = rests([40.0, 40.0, 39.8, 39.6, 37.5, 36.3, 35.6, 35.5, 35.5, 35.4, 35.4])
    assert found["rest_pct"].to_list() == [pytest.approx(35.6, abs=0.15)]
    assert found["day"].item() == FIRST + timedelta(days=LEAD + 1)


def test_rest_from_the_second_day_on_counts() -> None:
    """Smoothed over three days the peak is the second; two days on the fall is down, then roots take more."""
    found = rests([40.0, 38.5, 38.0, 36.0, 35.9, 35.8], tail=0.6)
    assert found["rest_pct"].to_list() == [pytest.approx(36.0, abs=0.2)]


def test_a_halt_the_day_after_the_peak_is_no_rest() -> None:
    """Water held up for a day above a dense layer runs on the next."""
    found = rests(
        [40.2, 40.0, 39.4, 39.2, 38.9, 37.5, 36.2, 35.5, 35.4, 35.3, 35.3, 35.3], tail=0.6
    )
    assert found["rest_pct"].to_list() == [pytest.approx(35.5, abs=0.1)]


def test_rest_after_ten_days_is_no_longer_of_that_wetting() -> None:
    slow = [40.0 - 0.4 * i for i in range(15)]
    assert rests([*slow, *([slow[-1]] * 5)]).is_empty()


def test_a_probe_set_back_into_wetter_soil_was_not_wetted() -> None:
    drained = [38.0, 37.0, 36.0, 35.6, *([35.5] * 8)]
    assert rests(drained).height == 1
    assert rests(drained, gap=20).is_empty()


def test_a_wetting_at_the_turn_of_a_year_is_of_the_year_of_its_peak() -> None:
    drained = [38.0, 37.0, 36.0, 35.6, *([35.5] * 8)]
    peak = date(2024, 12, 31)
    found = rests(drained, first=peak - timedelta(days=LEAD + 1))
    assert found["day"].to_list() == [peak]
    assert found["rest_day"].item().year == 2025


def test_empty() -> None:
    none = [generated.empty(TABLES[n]) for n in ("soil_day", "soil_quality_day")]
    check(soil_wetting.derive(*none, NO_OFFSET), "soil_wetting")
