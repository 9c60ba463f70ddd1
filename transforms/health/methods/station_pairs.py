"""A station beside its neighbors: sun against the nearest one, the rest against the other strip's.

Daily radiation of a well-kept thermal or photodiode sensor is good to 5 to 10 % (WMO-No. 8, Guide
to Instruments and Methods of Observation, part I, chapter 7, from memory); other limits are common
practice, no source. What differs between two strips without showing which of them is wrong is
reported once, at the first of them by name.
"""

from __future__ import annotations

import polars as pl

from transforms.health.methods.clogged import GAUGE, usable
from transforms.health.methods.spans import checked_days, labeled, months_as_spans, spans

WHOLE = 0.9  # share of the day recorded
DAY_APART_MM, DAY_APART = 10.0, 1.5
RADIATION_LOW = 0.9
MONTH_DAYS = 15
# Finding, part, column, its coverage and the limit of the difference.
DIFFERENCES = (
    ("temperature disagreement", "air temperature", "air_temp_mean_c", "air_temp_coverage", 1.0),
    ("humidity disagreement", "humidity", "relative_humidity_mean_pct", "humidity_coverage", 8.0),
)
# Findings that are reported at one station of a pair.
TOLD_ONCE = ("rain disagreement", *(finding for finding, *_ in DIFFERENCES))
_MONTH = pl.col("day").dt.truncate("1mo").alias("month")
SUN = ("solar_energy_mj_m2", "solar_coverage")
_OF_STRIPS = (
    *("strip", *GAUGE),
    *(name for _, _, column, covered, _ in DIFFERENCES for name in (column, covered)),
)


def beside(
    weather_day: pl.DataFrame, neighbors: pl.DataFrame, columns: tuple[str, ...]
) -> pl.DataFrame:
    """Return some columns of each station's day beside those of each neighbor (ending ``_other``).

    ``neighbors``: station, other, distance_km, rank (``near.neighbors``).
    """
    here = weather_day.select("station", "day", *columns)
    there = here.rename({"station": "other"} | {c: f"{c}_other" for c in columns})
    return here.join(neighbors, on="station").join(there, on=["other", "day"]).with_columns(_MONTH)


def of_one_field(weather_day: pl.DataFrame, neighbors: pl.DataFrame) -> pl.DataFrame:
    """Return the days of the two strips of a field side by side, each pair of neighbors once."""
    here = weather_day.select("station", "field", "day", *_OF_STRIPS).drop_nulls("field")
    there = here.rename({"station": "other"} | {c: f"{c}_other" for c in _OF_STRIPS})
    return (
        here.join(there, on=["field", "day"])
        .filter((pl.col("strip") != pl.col("strip_other")) & (pl.col("station") < pl.col("other")))
        .join(neighbors, on=["station", "other"])
        .with_columns(_MONTH)
    )


def recorded(pairs: pl.DataFrame, weather_used_day: pl.DataFrame) -> pl.DataFrame:
    """Return the pairs' days without those on which either gauge was lost: its zeros are no rain."""
    lost = weather_used_day.filter("gauge_lost").select("station", "day")
    for name in ("station", "other"):
        if not lost.is_empty():
            pairs = pairs.join(lost.rename({"station": name}), on=[name, "day"], how="anti")
    return pairs


def rain(pairs: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Find single days of rain far apart between two strips (``of_one_field``); return the days checked too.

    A storm's edge, a gauge that was emptied, or water poured in: only watched.
    """
    mine, theirs = pl.col("rain_mm"), pl.col("rain_mm_other")
    both = labeled(pairs.filter(usable() & usable("_other")), "station", "rain gauge").with_columns(
        finding=pl.lit("rain disagreement"), compared_with="other"
    )
    high = pl.max_horizontal(mine, theirs)
    apart = both.filter(
        ((mine - theirs).abs() >= DAY_APART_MM)
        & (high > DAY_APART * pl.min_horizontal(mine, theirs))
    )
    numbers = ((mine - theirs).sum().alias("difference_mm"), pl.col("compared_with").last())
    return spans(apart, numbers=numbers), _seen_by_both(both, "rain disagreement")


def radiation(pairs: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Find months in which a station caught clearly less sun than its nearest neighbor."""
    mine, theirs = pl.col("solar_energy_mj_m2"), pl.col("solar_energy_mj_m2_other")
    known = (pl.col("solar_coverage") >= WHOLE) & (pl.col("solar_coverage_other") >= WHOLE)
    both = labeled(pairs.filter(known), "station", "radiation")
    months = _by_month(both, sum=mine.sum(), sum_other=theirs.sum())
    nearest = months.sort("rank").unique(["instrument", "month"], keep="first", maintain_order=True)
    low = nearest.filter(pl.col("sum") < RADIATION_LOW * pl.col("sum_other")).with_columns(
        finding=pl.lit("radiation low")
    )
    found = months_as_spans(low).with_columns(ratio=pl.col("sum") / pl.col("sum_other"))
    return found.drop("sum", "sum_other"), checked_days(both, "radiation low")


def differences(pairs: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Find months in which air temperature or humidity of two strips (``of_one_field``) lie apart.

    Which of the two is wrong does not show. Returns the findings and the days checked.
    """
    found, seen = [], []
    for finding, part, column, covered, limit in DIFFERENCES:
        unit = column.rsplit("_", 1)[1]
        away = pl.col(column) - pl.col(f"{column}_other")
        known = (pl.col(covered) >= WHOLE) & (pl.col(f"{covered}_other") >= WHOLE)
        both = labeled(pairs.filter(known & away.is_not_null()), "station", part)
        months = _by_month(both, sum=away.median(), sum_other=pl.lit(0.0))
        apart = months.filter(pl.col("sum").abs() > limit).with_columns(finding=pl.lit(finding))
        found.append(
            months_as_spans(apart)
            .with_columns((pl.col("sum") / pl.col("months")).alias(f"difference_{unit}"))
            .drop("sum", "sum_other")
        )
        seen.append(_seen_by_both(both, finding))
    return pl.concat(found, how="diagonal"), pl.concat(seen)


def _seen_by_both(pairs: pl.DataFrame, finding: str) -> pl.DataFrame:
    """What was checked, at both stations of each pair."""
    there = pairs.with_columns(instrument=pl.col("other"))
    return checked_days(pl.concat([pairs, there]), finding)


def _by_month(days: pl.DataFrame, **numbers: pl.Expr) -> pl.DataFrame:
    """Reduce the days of each pair to months that have enough of them."""
    return (
        days.group_by("instrument", "other", "month")
        .agg(
            pl.col("kind", "part", "depth_cm", "rank").first(),
            first=pl.col("day").min(),
            last=pl.col("day").max(),
            n=pl.len().cast(pl.Int64),
            **numbers,
        )
        .filter(pl.col("n") >= MONTH_DAYS)
        .with_columns(compared_with="other")
    )
