"""The season's uptake at one depth of a strip, day by day, as roots are looked for in it."""

from dataclasses import dataclass
from datetime import date

import numpy as np
import polars as pl
from numpy.typing import NDArray

from transforms.methods.crop_days import emergence
from transforms.roots.methods.root_onset import BY_BALANCE, BY_PULSE, Array, Look

DEPTH = ["field", "season", "strip", "depth_cm"]

ABOVE_LIMIT_PCT = 0.5
EPOCH = date(1970, 1, 1)  # of polars' dates
BASELINE_DAYS = 5  # days before roots needed to take their usual fall off a balance
BASELINE_OF = 20  # the last so many of them count: drainage fades, upward flow grows


@dataclass(frozen=True, slots=True)
class Series:
    """Uptake in % a day from ``first`` on, NaN where not measured, and how to look at it."""

    first: date
    uptake: Array
    look: Look


def days(
    drawdown_day: pl.DataFrame, soil_water_day: pl.DataFrame, season: pl.DataFrame
) -> pl.DataFrame:
    """Uptake in % a day by depth and day of the season, probes of a strip averaged.

    Columns: ``DEPTH``, day, ``uptake_pct``, ``wet`` (share of probes above the drained upper limit), method,
    ``emerges``.
    """
    wet = soil_water_day.select(
        "probe",
        "depth_cm",
        "day",
        wet=pl.col("vwc_pct") - pl.col("drained_upper_limit_pct") > ABOVE_LIMIT_PCT,
    )
    begins = season.select("field", "season", emerges=emergence())
    return (
        drawdown_day.filter(pl.col("season").is_not_null())
        .join(wet, on=["probe", "depth_cm", "day"], how="left")
        .group_by(*DEPTH, "day")
        .agg(
            uptake_pct=(pl.col("uptake_mm") / pl.col("layer_thickness_cm") * 10).mean(),
            wet=pl.col("wet").mean(),
            method=pl.col("method").drop_nulls().sort().first(),
        )
        .join(begins, on=["field", "season"])
        .sort(*DEPTH, "day")
    )


def by_balance(group: pl.DataFrame) -> bool:
    """Whether most of a depth's uptakes are daily balances."""
    return bool((group["method"] == "balance").sum() * 2 > group["method"].count())


def series(group: pl.DataFrame, not_before: date | None, first: date | None = None) -> Series:
    """The series of one depth, from its rows of ``days``.

    ``not_before``: the day before which roots cannot have come; earlier days are not looked at.
    ``first``: a day before which the series has no row, where it is to begin earlier.
    """
    look = BY_BALANCE if by_balance(group) else BY_PULSE
    group = _without_drainage(group, not_before)
    begin: date = first or group["day"][0]
    place = positions(group["day"], begin)
    values = np.full(int(place[-1]) + 1, np.nan)
    values[place] = group["uptake_pct"].cast(pl.Float64).to_numpy()  # null is NaN there
    if not_before is not None:
        values[: max((not_before - begin).days, 0)] = np.nan
    return Series(begin, values, look)


def positions(days: pl.Series, first: date) -> NDArray[np.int32]:
    """Whole days from ``first`` to each of ``days``; by numpy, since there are many short series."""
    return np.asarray(days.to_physical().to_numpy() - (first - EPOCH).days)


def _without_drainage(group: pl.DataFrame, rooted: date | None) -> pl.DataFrame:
    """Balances less their usual fall before roots can have come; day-night uptakes as they are.

    ``rooted`` is the first day on which there can be roots; that of emergence where it is null.
    """
    if (group["method"] == "balance").sum() < BASELINE_DAYS:
        return group
    c = pl.col
    before = group.filter(
        (c("method") == "balance")
        & c("uptake_pct").is_not_null()
        & (c("day") < pl.coalesce(pl.lit(rooted, pl.Date), "emerges"))
    ).tail(BASELINE_OF)
    if before.height < BASELINE_DAYS:
        return group
    usual = max(float(before["uptake_pct"].median()), 0.0)  # type: ignore[arg-type]
    return group.with_columns(
        uptake_pct=pl.when(c("method") == "balance")
        .then(c("uptake_pct") - usual)
        .otherwise("uptake_pct")
    )
