"""Daily normals: sums kept, never below zero, smooth over New Year, near the record's own days."""

from calendar import monthrange
from typing import Any

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.transforms import frames
from tests.transforms.weather.open_record import open_record
from transforms.weather import normal_day, normal_month


def months(rain: list[float | None], temp: list[float | None] | None = None) -> pl.DataFrame:
    temp = temp or [None] * 12
    return frames.rows(
        "normal_month",
        [
            {
                "month": m,
                "rain_mm": rain[m - 1],
                "air_temp_mean_c": temp[m - 1],
                "coverage": 1.0,
                "partial": False,
            }
            for m in range(1, 13)
        ],
    )


def derive(normals: pl.DataFrame) -> pl.DataFrame:
    found = normal_day.derive(normals)
    frames.check(found, "normal_day")
    return found


def by_month(found: pl.DataFrame, days_in_year: int, column: str, how: str) -> list[Any]:
    of_year = found.filter(pl.col("days_in_year") == days_in_year)
    grouped = of_year.group_by("month", maintain_order=True)
    return grouped.agg(getattr(pl.col(column), how)())[column].to_list()


def test_every_day_of_both_kinds_of_year_stands() -> None:
    found = derive(months([30.0] * 12))
    for days_in_year, year in ((365, 2023), (366, 2024)):
        of_year = found.filter(pl.col("days_in_year") == days_in_year)
        assert of_year.select("month", "day_of_month").rows() == [
            (m, d) for m in range(1, 13) for d in range(1, monthrange(year, m)[1] + 1)
        ]


MONTHLY = st.lists(st.floats(0, 400).map(lambda x: round(x, 2)), min_size=12, max_size=12)


@given(MONTHLY, st.lists(st.floats(-30, 30), min_size=12, max_size=12))
@settings(max_examples=15, deadline=None)
def test_sums_and_means_are_kept_and_no_rain_is_negative(rain, temp) -> None:
    found = derive(months(rain, temp))
    for days_in_year in (365, 366):
        assert by_month(found, days_in_year, "rain_mm", "sum") == pytest.approx(rain, abs=1e-9)
        means = by_month(found, days_in_year, "air_temp_mean_c", "mean")
        assert means == pytest.approx(temp, abs=1e-9)
    assert (found["rain_mm"] >= 0).all()


def test_a_constant_year_is_constant() -> None:
    """Rain of one millimetre a day, and a temperature that never changes, come back as such."""
    lengths = [float(monthrange(2023, m)[1]) for m in range(1, 13)]
    of_year = derive(months(lengths, [7.0] * 12)).filter(pl.col("days_in_year") == 365)
    assert of_year["rain_mm"].to_list() == pytest.approx([1.0] * 365, abs=1e-9)
    assert of_year["air_temp_mean_c"].to_list() == pytest.approx([7.0] * 365, abs=1e-9)


def test_a_yearly_wave_is_recovered_from_its_monthly_means() -> None:
    """Known truth: the seasonal wave of a temperate place, amplitude 16 degC."""
    day = np.arange(365)
    truth = 5 - 16 * np.cos(2 * np.pi * (day - 15) / 365)
    month = np.repeat(range(1, 13), [monthrange(2023, m)[1] for m in range(1, 13)])
    temp = [float(truth[month == m].mean()) for m in range(1, 13)]
    of_year = derive(months([1.0] * 12, temp)).filter(pl.col("days_in_year") == 365)
    assert np.abs(of_year["air_temp_mean_c"].to_numpy() - truth).max() < 0.15


def test_no_step_between_months_nor_over_new_year() -> None:
    rain = [6.41, 9.59, 17.17, 38.08, 69.48, 68.6, 77.35, 55.6, 28.81, 35.6, 10.53, 7.34]
    series = derive(months(rain)).filter(pl.col("days_in_year") == 365)["rain_mm"].to_numpy()
    steps = np.abs(np.diff(np.append(series, series[0])))
    assert steps.max() < 0.06  # a table of constant months would step by 1 mm
    assert 0.1 < series.min() < series.max() < 2.8


def test_the_open_record_agrees_with_its_own_days() -> None:
    """Champion, Nebraska (package aquacrop): against the 30-year mean of each calendar day."""
    farm = frames.farm(normal_station="long", normal_from=1982, normal_to=2011)
    normals = normal_month.derive(open_record(), frames.rows("normal_given", []), farm)
    of_year = derive(normals).filter(pl.col("days_in_year") == 365)
    own = (
        open_record()
        .filter(pl.col("day").dt.year() <= 2011)
        .group_by(
            month=pl.col("day").dt.month().cast(pl.Int64),
            day_of_month=pl.col("day").dt.day().cast(pl.Int64),
        )
        .agg(own_c=pl.col("air_temp_mean_c").mean())
    )
    both = of_year.join(own, on=["month", "day_of_month"])
    error = (both["air_temp_mean_c"] - both["own_c"]).to_numpy()
    assert both.height == 365
    # Thirty days scatter by about 6 degC / sqrt(30): 1.1 degC; a shift by half a month is 4 degC.
    assert np.sqrt((error**2).mean()) < 1.6
    assert abs(error.mean()) < 0.05


def test_a_month_without_a_normal_has_no_days() -> None:
    rain: list[float | None] = [30.0] * 12
    rain[4] = None
    normals = months(rain).with_columns(
        reason=pl.when(pl.col("month") == 5).then(pl.lit("no normal rain was given for this month"))
    )
    found = derive(normals)
    may = found.filter(pl.col("month") == 5)
    assert may["rain_mm"].null_count() == may.height == 62
    assert may["reason"].unique().to_list() == ["no normal rain was given for this month"]
    rest = found.filter(pl.col("month") != 5)
    assert rest["rain_mm"].null_count() == 0
    june = rest.filter((pl.col("month") == 6) & (pl.col("days_in_year") == 365))
    assert june["rain_mm"].sum() == pytest.approx(30)
    assert found["air_temp_mean_c"].null_count() == found.height


def test_no_normals() -> None:
    assert derive(frames.rows("normal_month", [])).is_empty()
