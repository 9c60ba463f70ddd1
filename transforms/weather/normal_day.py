"""Daily normals from monthly ones, each month's sum or mean kept."""

from calendar import monthrange
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy import sparse
from scipy.optimize import nnls
from scipy.sparse.linalg import spsolve

from schemas import generated
from schemas.tables.weather.normal_day import TABLE

Vector = NDArray[np.float64]

_TEMPS = ("air_temp_mean_c", "air_temp_max_c", "air_temp_min_c")
# Weight of the months' sums against the smoothness where rain may not fall below zero.
_SUMS_WEIGHT = 1e4


def derive(normal_month: pl.DataFrame) -> pl.DataFrame:
    """Make 731 rows; none without monthly normals.

    Of all daily series that go round the year and keep each month's sum (rain) or mean
    (temperature), the smoothest: the one with the least sum of squared second differences. Method:
    Boot, Feibes and Lisman 1967, Applied Statistics 16(1), 65-75, doi:10.2307/2985238, made to
    close over New Year. Rain is held at or above zero. A month without a normal puts no
    condition on the curve and its days are null, with the month's reason.
    """
    if normal_month.is_empty():
        return generated.empty(TABLE)
    months = normal_month.sort("month")
    quality = months.select("month", "coverage", "partial", "reason")
    years = [_days_of_year(months, 365), _days_of_year(months, 366)]
    days = pl.concat(years).join(quality, on="month", how="left")
    return generated.conform(days.sort("days_in_year", "month", "day_of_month"), TABLE)


def _days_of_year(months: pl.DataFrame, days_in_year: int) -> pl.DataFrame:
    """The days of a common or a leap year."""
    length = {m: monthrange(2023 if days_in_year == 365 else 2024, m)[1] for m in range(1, 13)}
    month = np.repeat(list(length), list(length.values()))
    columns: dict[str, Vector | None] = {}
    for name in ("rain_mm", *_TEMPS):
        value = dict(zip(months["month"], months[name], strict=True))
        known = {m: v for m, v in value.items() if v is not None}
        sums = {m: v if name == "rain_mm" else v * length[m] for m, v in known.items()}
        columns[name] = smoothest(month, sums, not_negative=name == "rain_mm")
    return pl.DataFrame(
        {
            "days_in_year": np.full(days_in_year, days_in_year),
            "month": month,
            "day_of_month": np.concatenate([np.arange(1, n + 1) for n in length.values()]),
            **columns,
        },
    ).with_columns(pl.col("rain_mm", *_TEMPS).cast(pl.Float64).fill_nan(None))


def smoothest(month: NDArray[np.int64], sums: dict[int, float], *, not_negative: bool) -> Vector:
    """The smoothest closed daily series with the given sums of months.

    ``month`` is the month of each day, ``sums`` the sum of each month that has one; days of the
    other months come back as NaN. Least squares of the second differences under the sums as exact
    conditions; where that falls below zero and may not, under ``x >= 0``.
    """
    n = month.size
    if not sums:
        return np.full(n, np.nan)
    conditions = np.array([(month == m).astype(float) for m in sums])
    targets = np.array(list(sums.values()), dtype=float)
    # Second differences that close over New Year.
    bend: Any = sparse.diags_array(
        [1.0, 1.0, -2.0, 1.0, 1.0], offsets=[1 - n, -1, 0, 1, n - 1], shape=(n, n)
    )
    if len(sums) == 1:
        series = np.full(n, targets[0] / conditions[0].sum())
    else:
        rows = sparse.csr_array(conditions)
        blocks: Any = [[bend.T @ bend, rows.T], [rows, None]]
        system = sparse.block_array(blocks, format="csc")
        series = spsolve(system, np.concatenate([np.zeros(n), targets]))[:n]
    if not_negative and series.min() < 0:
        series = _not_negative(bend.toarray(), conditions, targets)
    return np.where(np.isin(month, list(sums)), series + 0.0, np.nan)


def _not_negative(bend: Vector, conditions: Vector, targets: Vector) -> Vector:
    """The smoothest series at or above zero, its sums put right in proportion at the end."""
    scale = targets.max() or 1.0
    stacked = np.vstack([bend, _SUMS_WEIGHT * conditions])
    wanted = np.concatenate([np.zeros(len(bend)), _SUMS_WEIGHT * targets / scale])
    series: Vector = nnls(stacked, wanted, maxiter=20 * len(bend))[0]
    for condition, target in zip(conditions, targets, strict=True):
        days = condition > 0
        series[days] *= target / series[days].sum() if target > 0 else 0.0
    return series
