"""The treated strip's station against the check strip's: two instruments a stone's throw apart.

Rain is compared on days that both recorded whole, by calendar month, and only where neither gauge
can have held snow. A blocked gauge catches less on nearly every wet day; a single day that differs
is a storm's edge, a gauge that was emptied, or water poured in, and only watched. Daily radiation
of a well-kept thermal or photodiode sensor is good to 5 to 10 % (WMO-No. 8, Guide to Instruments
and Methods of Observation, part I, chapter 7, from memory); other limits are common practice, no
source.
"""

from __future__ import annotations

import polars as pl

from transforms.health.methods.spans import checked_days, labelled, spans

WHOLE = 0.9  # share of the day recorded
WET_MM, WET_DAYS, WET_SUM_MM = 1.0, 4, 10.0
BLOCKED, MOSTLY = 0.75, 0.75
DAY_APART_MM, DAY_APART = 10.0, 1.5
RADIATION_LOW = 0.9
MONTH_DAYS = 15
SNOW_C = 1.0
# Finding, part, column, its coverage and the limit of the difference.
DIFFERENCES = (
    ("temperature disagreement", "air temperature", "air_temp_mean_c", "air_temp_coverage", 1.0),
    ("humidity disagreement", "humidity", "relative_humidity_mean_pct", "humidity_coverage", 8.0),
)
BRIDGE_D = 63  # months in a row, or with one between them that could not be judged


def sides(weather_day: pl.DataFrame) -> pl.DataFrame:
    """Each station's day beside that of the other strip's station (columns ending ``_other``)."""
    here = weather_day.filter(pl.col("field").is_not_null() & pl.col("strip").is_not_null())
    here = here.unique(["field", "strip", "day"], keep="first", maintain_order=True)
    treated = pl.col("strip") == "treated"
    other = here.with_columns(
        strip=pl.when(treated).then(pl.lit("check")).otherwise(pl.lit("treated"))
    )
    return here.join(other, on=["field", "strip", "day"], suffix="_other").with_columns(
        month=pl.col("day").dt.truncate("1mo")
    )


def rain(pairs: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Blocked gauges by month, and single days of rain far apart."""
    mine, theirs = pl.col("rain_mm"), pl.col("rain_mm_other")

    def usable(suffix: str) -> pl.Expr:
        """Return whether a gauge recorded the whole day, that day alone, and no snow."""
        day, heated = pl.col("day"), pl.col(f"gauge_heated{suffix}").fill_null(False)
        return (
            (heated | (pl.col(f"air_temp_min_c{suffix}") > SNOW_C))
            & (pl.col(f"rain_coverage{suffix}") >= WHOLE)
            & (pl.col(f"rain_since_day{suffix}").fill_null(day) == day)
        )

    both = labelled(pairs, "station", "rain gauge").filter(usable("") & usable("_other"))
    wet = both.filter(pl.max_horizontal(mine, theirs) >= WET_MM)
    months = _by_month(
        wet, WET_DAYS, sum=mine.sum(), sum_other=theirs.sum(), lower=(mine < theirs).mean()
    ).filter(pl.col("sum_other") >= WET_SUM_MM)
    months = months.with_columns(finding=pl.lit("gauge blocked"))
    blocked = months.filter(
        (pl.col("sum") < BLOCKED * pl.col("sum_other")) & (pl.col("lower") >= MOSTLY)
    )
    found = _months(blocked).with_columns(ratio=pl.col("sum") / pl.col("sum_other"))
    high = pl.max_horizontal(mine, theirs)
    apart = both.filter(
        ((mine - theirs).abs() >= DAY_APART_MM)
        & (high > DAY_APART * pl.min_horizontal(mine, theirs))
    ).with_columns(finding=pl.lit("rain disagreement"))
    single = spans(apart, numbers=((mine - theirs).sum().alias("difference_mm"),))
    last = months.with_columns(day="last")
    seen = pl.concat([checked_days(last, "gauge blocked"), checked_days(both, "rain disagreement")])
    return pl.concat([found.drop("sum", "sum_other"), single], how="diagonal"), seen


def radiation(pairs: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Months in which a station caught clearly less sun than the other: dirt, tilt or age."""
    mine, theirs = pl.col("solar_energy_mj_m2"), pl.col("solar_energy_mj_m2_other")
    both = labelled(pairs, "station", "radiation").filter(
        (pl.col("solar_coverage") >= WHOLE) & (pl.col("solar_coverage_other") >= WHOLE)
    )
    months = _by_month(both, MONTH_DAYS, sum=mine.sum(), sum_other=theirs.sum())
    low = months.filter(pl.col("sum") < RADIATION_LOW * pl.col("sum_other")).with_columns(
        finding=pl.lit("radiation low")
    )
    found = _months(low).with_columns(ratio=pl.col("sum") / pl.col("sum_other"))
    return found.drop("sum", "sum_other"), checked_days(both, "radiation low")


def differences(pairs: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Find months in which air temperature or humidity of the two stations lie apart.

    Which of the two is wrong does not show. Returns the findings and the days checked.
    """
    found, seen = [], []
    for finding, part, column, covered, limit in DIFFERENCES:
        unit = column.rsplit("_", 1)[1]
        away = pl.col(column) - pl.col(f"{column}_other")
        both = labelled(pairs, "station", part).filter(
            (pl.col(covered) >= WHOLE) & (pl.col(f"{covered}_other") >= WHOLE) & away.is_not_null()
        )
        months = _by_month(both, MONTH_DAYS, sum=away.median(), sum_other=pl.lit(0.0))
        apart = months.filter(pl.col("sum").abs() > limit).with_columns(finding=pl.lit(finding))
        found.append(
            _months(apart)
            .with_columns((pl.col("sum") / pl.col("months")).alias(f"difference_{unit}"))
            .drop("sum", "sum_other")
        )
        seen.append(checked_days(both, finding))
    return pl.concat(found, how="diagonal"), pl.concat(seen)


def _by_month(days: pl.DataFrame, least: int, **numbers: pl.Expr) -> pl.DataFrame:
    """Reduce days to the months that have ``least`` of them or more."""
    return (
        days.group_by("kind", "instrument", "part", "month")
        .agg(
            pl.col("depth_cm").first(),
            first=pl.col("day").min(),
            last=pl.col("day").max(),
            n=pl.len().cast(pl.Int64),
            **numbers,
        )
        .filter(pl.col("n") >= least)
    )


def _months(months: pl.DataFrame) -> pl.DataFrame:
    """Months as spans, from the first to the last day compared, with the sums over each span."""
    return spans(
        months.with_columns(day=pl.col("month")),
        bridge_d=BRIDGE_D,
        numbers=(
            pl.col("first").min(),
            pl.col("last").max(),
            pl.col("n").sum(),
            pl.len().alias("months"),
            pl.col("sum").sum(),
            pl.col("sum_other").sum(),
        ),
    ).select(
        pl.exclude("from_day", "to_day", "days", "first", "last", "n"),
        from_day="first",
        to_day="last",
        days="n",
    )
