"""A rain gauge against the nearest healthy one near it.

By calendar month, on days that both recorded whole and on which neither gauge can have held snow.
On each wet day the two gauges differ by d = (mine - other) / (mine + other). How much d scatters is
the pair's own habit: little for two strips of one field, much for two farms under summer storms.
The month's mean of d is set against that scatter, so that a neighbor 20 km away judges with the
caution it deserves. Days weigh by their rain, up to a limit: one storm's edge or a cup of water
poured in is one day. A month beside a clogged one needs less: gauges do not clear themselves on the
first. Limits are common practice, no source; they were set on simulated seeds below 1,000 and are
judged on others (``tests/bench/bench_health.py``).
"""

from __future__ import annotations

import polars as pl

from transforms.health.methods.spans import checked_days, labeled, months_as_spans

WHOLE = 0.9  # share of the day recorded
SNOW_C = 1.0
WET_MM, WET_DAYS, WET_SUM_MM = 1.0, 4, 10.0
BLOCKED = 0.75  # of what the other caught, as d: catching less than this is clogged
MOSTLY = 2 / 3  # of the wet days it caught less
TIMES, TIMES_BESIDE = 2.0, 1.0  # its scatter; that in a month beside a clogged one
MOST_MM = 15.0  # of both gauges, by which a day weighs
CLEAR_MM = 5.0  # of both gauges: less says little of the scatter
HABIT_DAYS, HABIT_MONTHS = 3, 6
NEXT_TO_NOTHING = 0.9  # as d: one caught less than a twentieth of the other
LEAST_SCATTER, SCATTER_KM, MOST_SCATTER = 0.05, 0.03, 0.7
LEAST_BIAS, BIAS_KM = 0.1, 0.015  # a lasting difference of sites; beyond it, a gauge is wrong
PAIR = ["station", "other"]
GAUGE = ("rain_mm", "rain_coverage", "rain_since_day", "gauge_heated", "air_temp_min_c")


def usable(suffix: str = "") -> pl.Expr:
    """Return whether a gauge recorded the whole day, that day alone, and no snow.

    A gauge without a thermometer takes its neighbor's.
    """
    day, heated = pl.col("day"), pl.col(f"gauge_heated{suffix}").fill_null(False)
    cold = pl.coalesce(
        f"air_temp_min_c{suffix}", "air_temp_min_c" if suffix else "air_temp_min_c_other"
    )
    return (
        (heated | (cold > SNOW_C))
        & (pl.col(f"rain_coverage{suffix}") >= WHOLE)
        & (pl.col(f"rain_since_day{suffix}").fill_null(day) == day)
        & pl.col(f"rain_mm{suffix}").is_not_null()
    )


def wet_anywhere(weather_day: pl.DataFrame) -> pl.DataFrame:
    """Return the days on which it rained enough at any station: no others tell of gauges."""
    wet = weather_day.filter(pl.col("rain_mm") >= WET_MM)["day"].unique().implode()
    return weather_day.filter(pl.col("day").is_in(wet))


def gauges(pairs: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Find the months in which a gauge caught much less than the nearest healthy one.

    ``pairs``: wet station-days side by side (``station_pairs.beside``). Returns the findings and the
    months checked. A gauge that is itself low against any neighbor judges nobody that month, and of
    several healthy ones at least half must agree.
    """
    mine, theirs = pl.col("rain_mm"), pl.col("rain_mm_other")
    wet = pairs.filter(
        usable() & usable("_other") & (pl.max_horizontal(mine, theirs) >= WET_MM)
    ).with_columns(both=mine + theirs, d=(mine - theirs) / (mine + theirs))
    weight = pl.col("both").clip(upper_bound=MOST_MM)
    months = (
        wet.group_by(*PAIR, "month")
        .agg(
            pl.col("distance_km", "rank").first(),
            first=pl.col("day").min(),
            last=pl.col("day").max(),
            n=pl.len().cast(pl.Int64),
            sum=mine.sum(),
            sum_other=theirs.sum(),
            lower=(mine < theirs).mean(),
            away=(weight * pl.col("d")).sum() / weight.sum(),
            weight=(weight**2).sum().sqrt() / weight.sum(),
        )
        .join(_habits(wet), on=PAIR, how="left")
        .filter((pl.col("n") >= WET_DAYS) & (pl.max_horizontal("sum", "sum_other") >= WET_SUM_MM))
    )
    judged = _judged(_low(months))
    months_of = labeled(judged, "station", "rain gauge", "gauge blocked").with_columns(
        compared_with="other"
    )
    found = months_as_spans(months_of.filter("blocked")).with_columns(
        ratio=pl.col("sum") / pl.col("sum_other")
    )
    return found.drop("sum", "sum_other"), checked_days(
        months_of.with_columns(day="last"), "gauge blocked"
    )


def _habits(wet: pl.DataFrame) -> pl.DataFrame:
    """The usual d of each pair and how it scatters from day to day, on days with some rain.

    Both are medians over months; the scatter is that within a month. So however many months a gauge
    was clogged, that is not taken for the pair's habit. Months in which one caught next to nothing
    show no scatter and are left out of it.
    """
    months = (
        wet.filter(pl.col("both") >= CLEAR_MM)
        .group_by(*PAIR, "month")
        .agg(d=pl.col("d").median(), within=pl.col("d").std(), n=pl.len())
        .filter(pl.col("n") >= HABIT_DAYS)
    )
    shows = pl.col("d").abs() < NEXT_TO_NOTHING
    return months.group_by(PAIR).agg(
        usual=pl.col("d").median(),
        known=shows.sum(),
        scatter=pl.col("within").filter(shows).median(),
    )


def _low(months: pl.DataFrame) -> pl.DataFrame:
    """Add ``low`` (the month's d is far below the pair's habit) and ``leaning`` (it is below it)."""
    km = pl.col("distance_km")
    known = pl.col("known").fill_null(0) >= HABIT_MONTHS
    prior = (LEAST_SCATTER * 2 + SCATTER_KM * km).clip(upper_bound=MOST_SCATTER)
    most_bias = LEAST_BIAS + BIAS_KM * km
    months = months.with_columns(
        scatter=pl.when(known)
        .then(pl.col("scatter").clip(LEAST_SCATTER, MOST_SCATTER))
        .otherwise(prior),
        usual=pl.when(known).then(pl.col("usual").clip(-most_bias, most_bias)).otherwise(0.0),
    )
    below = pl.col("usual") - pl.col("away")
    clear = (below > (1 - BLOCKED) / (1 + BLOCKED)) & (pl.col("lower") >= MOSTLY)
    error = pl.col("scatter") * pl.col("weight")
    return months.with_columns(
        low=clear & (below > TIMES * error), leaning=clear & (below > TIMES_BESIDE * error)
    )


def _judged(months: pl.DataFrame) -> pl.DataFrame:
    """One row a station and month: against the nearest healthy neighbor, with ``blocked``.

    A run of leaning months with a low one in it is blocked as a whole.
    """
    sick = months.filter("low").select(other="station", month="month", sick=pl.lit(True)).unique()
    judged = (
        months.join(sick, on=["other", "month"], how="left")
        .filter(pl.col("sick").is_null())
        .sort("station", "month", "rank")
        .group_by("station", "month", maintain_order=True)
        .agg(
            pl.col("other", "first", "last", "n", "sum", "sum_other").first(),
            low=pl.col("low").first() & (pl.col("low").mean() >= 0.5),
            leaning=pl.col("leaning").first() & (pl.col("leaning").mean() >= 0.5),
        )
    )
    run = pl.struct("station", "leaning").rle_id()
    return judged.with_columns(run=run).with_columns(
        blocked=pl.col("leaning") & pl.col("low").any().over("run")
    )
