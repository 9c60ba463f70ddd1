"""The most rain that was ever measured anywhere, by duration: more is no rain.

Records: Unionville (1 min), Holt (42 min), Foc-Foc (24 h), Cherrapunji (48 h and 1 year): World
Weather and Climate Extremes Archive of the WMO; Plumb Point (15 min: not in that archive),
Commerson (72 and 96 h): from memory. Between these durations: a straight line on logarithms.
"""

import numpy as np
import polars as pl

from transforms.methods import calendar_day

RECORD_MIN = (1, 15, 42, 1_440, 2_880, 4_320, 5_760, 525_600)
RECORD_MM = (31.2, 198.0, 305.0, 1_825.0, 2_493.0, 3_930.0, 4_936.0, 26_470.0)
HOUR_S = 3_600.0
# Why rain was left out, as `rain_day` says it after the amount.
BEYOND = "more than was ever measured anywhere in so short a time"


def record_mm(length_s: pl.Series) -> pl.Series:
    """Return the most rain [mm] that was measured anywhere within each length of time [s]."""
    minutes = np.log(length_s.fill_null(0.0).clip(60.0).to_numpy() / 60.0)
    return pl.Series("record", np.exp(np.interp(minutes, np.log(RECORD_MIN), np.log(RECORD_MM))))


def beyond(mm: pl.Series, length_s: pl.Series) -> pl.Series:
    """Return whether rain is more than the record of its length of time; false where null."""
    return (mm > record_mm(length_s)).fill_null(False)


def possible(reading: pl.DataFrame, farm: pl.DataFrame) -> pl.DataFrame:
    """Return readings whose ``rain_mm`` is null where it cannot be, and is then in ``beyond_mm``.

    ``reading`` has ``station``, ``time``, ``interval_s`` and ``rain_mm``. Looked at are each
    reading by its interval, the sum of each hour and that of the farm's day (an hour or day in
    which a longer interval ends by that interval), so a day alone gives what it gives among others.
    """
    at = pl.col("time") + (calendar_day.shift(farm) - calendar_day.INSTANT)
    rain = reading.filter(pl.col("rain_mm") > 0).select(
        "station", "time", "interval_s", "rain_mm", hour=at.dt.truncate("1h"), day=at.dt.date()
    )
    alone = beyond(rain["rain_mm"], rain["interval_s"])
    left, found = rain.filter(~alone), [rain.filter(alone)]
    for span, length_s in (("hour", HOUR_S), ("day", calendar_day.DAY_S)):
        sums = left.group_by("station", span).agg(
            pl.col("rain_mm").sum(), pl.col("interval_s").max().clip(lower_bound=length_s)
        )
        too_much = sums.filter(beyond(sums["rain_mm"], sums["interval_s"]))
        found.append(left.join(too_much, on=["station", span], how="semi"))
        left = left.join(too_much, on=["station", span], how="anti")
    marks = pl.concat(found).select("station", "time", beyond_mm="rain_mm")
    if marks.is_empty():
        return reading.with_columns(beyond_mm=pl.lit(None, pl.Float64))
    marked = reading.join(marks, on=["station", "time"], how="left", maintain_order="left")
    return marked.with_columns(rain_mm=pl.when(pl.col("beyond_mm").is_null()).then("rain_mm"))
