"""What goes wrong with the instruments: faults in their readings, each noted in the ledger.

Every function takes the readings of all instruments by name and changes some of them. ``FILED``
is when a row was written, ``TIME`` what its stamp says: a lost clock sets them apart.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, datetime, timedelta

import numpy as np
import polars as pl

from demo_warehouse.simulator.ledger import Fault, Ledger, Outcome
from demo_warehouse.simulator.probes import between, clock, midnight, vwc, warmth
from demo_warehouse.simulator.stations import TIME

FILED = "filed"
Frames = dict[str, pl.DataFrame]


def apply(frames: Frames, rng: np.random.Generator, ledger: Ledger) -> None:
    """Put every fault of the readings in."""
    for name, frame in frames.items():
        frames[name] = frame.with_columns(pl.col(TIME).alias(FILED))
    for fault in (_rain, _sun, _soil_values, _soil_places, _silence, _clocks, _codes, _shed):
        fault(frames, rng, ledger)


def _change(frames: Frames, name: str, when: pl.Expr, **columns: pl.Expr) -> int:
    """Put new values into some rows; returns how many."""
    frame = frames[name]
    frames[name] = frame.with_columns(
        pl.when(when).then(value).otherwise(pl.col(column)).alias(column)
        for column, value in columns.items()
    )
    return int(frame.select(when.sum()).item())


def _note(  # noqa: PLR0917
    ledger: Ledger, fault: str, usual: int, instrument: str, what: str, outcome: Outcome,
    expected: str, first: date | None = None, last: date | None = None, rows: int | None = None,
) -> None:  # fmt: skip
    ledger.add(Fault(fault, usual, instrument, what, outcome, expected, first, last, "", rows))


def _rain(frames: Frames, _: np.random.Generator, ledger: Ledger) -> None:
    a, b = date(2024, 6, 1), date(2024, 6, 30)
    rows = _change(
        frames, "Windbreak check", between(a, b), rain_mm=(pl.col("rain_mm") / 2).round(1)
    )
    _note(ledger, "clogged gauge", 15, "Windbreak check", "a clogged funnel: half of the rain",
          "marked", "station_health: the strips' gauges disagree", a, b, rows)  # fmt: skip
    july = frames["Coulee treated"].filter(between(date(2022, 7, 1), date(2022, 7, 31)))
    wettest = july.group_by(pl.col(TIME).dt.date()).agg(pl.col("rain_mm").sum()).sort("rain_mm")
    day: date = wettest[TIME][-1]
    rows = _change(frames, "Coulee treated", between(day, day), rain_mm=pl.col("rain_mm") * 2)
    _note(ledger, "bouncing bucket", 15, "Coulee treated", "each tip of a storm counted twice",
          "left in", "only the other strip's gauge tells", day, day, rows)  # fmt: skip
    at = clock(date(2023, 4, 18), 11)
    rows = _change(frames, "Stonepile check", pl.col(TIME) == at, rain_mm=pl.lit(24.0))
    _note(ledger, "tipped in service", 15, "Stonepile check", "24 mm poured in at a service visit",
          "left in", "only the other strip's gauge tells", at.date(), at.date(), rows)  # fmt: skip
    _note(ledger, "snow melts as rain", 15, "Windbreak, Coulee and Gumbo stations",
          "unheated gauges hold snow and give it back in the thaw", "marked",
          "rain on days at or below freezing is flagged (gauge_heated = false)")  # fmt: skip


def _sun(frames: Frames, _: np.random.Generator, ledger: Ledger) -> None:
    a, b = date(2023, 1, 1), date(2025, 6, 1)
    length = (b - a).days
    age = ((pl.col(TIME) - midnight(a)).dt.total_days() / length).clip(0, 1)
    rows = _change(
        frames, "Windbreak treated", between(a, b),
        solar_radiation_w_m2=(pl.col("solar_radiation_w_m2") * (1 - 0.4 * age)).round(1),
    )  # fmt: skip
    _note(ledger, "dying radiation sensor", 16, "Windbreak treated",
          "loses 40 % of the radiation over 29 months, then replaced", "marked",
          "station_health: the strips' stations drift apart", a, b, rows)  # fmt: skip


def _soil_values(frames: Frames, rng: np.random.Generator, ledger: Ledger) -> None:
    name, a, b = "Windbreak treated probe", date(2022, 6, 20), date(2022, 7, 3)
    held = frames[name].filter(between(a, b))[vwc(50)].drop_nulls()[0]
    rows = _change(frames, name, between(a, b), **{vwc(50): pl.lit(held)})
    _note(ledger, "stuck sensor", 16, name, "50 cm: one value for two weeks", "marked",
          "soil_quality_day: stuck", a, b, rows)  # fmt: skip
    name, a, b = "Coulee treated probe", date(2025, 7, 5), date(2025, 10, 31)
    rows = _change(frames, name, between(a, b), **{vwc(100): pl.lit(0.0)})
    _note(ledger, "dead sensor", 16, name, "100 cm: reads 0", "marked",
          "soil_quality_day: impossible; the layer is partial, not dry", a, b, rows)  # fmt: skip
    name, a, b = "Windbreak check probe", date(2023, 6, 1), date(2023, 7, 31)
    season = frames[name].filter(between(a, b))[TIME]
    at = season.gather(np.sort(rng.choice(len(season), 12, replace=False)))
    rows = _change(
        frames, name, pl.col(TIME).is_in(at.implode()), **{vwc(30): pl.col(vwc(30)) + 14}
    )
    _note(ledger, "spikes", 16, name, "30 cm: twelve single values 14 % too high", "marked",
          "soil_quality_day: spike", a, b, rows)  # fmt: skip
    name, a, b = "Stonepile treated probe", date(2024, 7, 10), date(2025, 10, 31)
    rows = _change(frames, name, between(a, b), **{vwc(30): pl.col(vwc(30)) + 4.5})
    _note(ledger, "sensor swapped", 18, name, "30 cm: a new sensor reads 4.5 % more", "marked",
          "soil_quality_day: step, and an offset that evens it", a, b, rows)  # fmt: skip
    name = "Stonepile check probe"
    swing = (pl.col(vwc(30)) + 0.16 * (pl.col(warmth(30)) - 15)).round(2)
    rows = _change(frames, name, pl.lit(value=True), **{vwc(30): swing})
    _note(ledger, "temperature swing", 20, name, "30 cm: 0.16 % a degree", "left in",
          "the daily swing must not be taken for uptake", None, None, rows)  # fmt: skip
    _beside(frames, ledger)
    _note(ledger, "settling", 20, "all probes", "reads low while the soil closes on it", "marked",
          "soil_quality_day: settling, after each time a probe is set")  # fmt: skip
    _note(ledger, "frost", 17, "all probes", "moisture seems to fall as water freezes", "marked",
          "soil_quality_day: frozen; not uptake")  # fmt: skip


def _beside(frames: Frames, ledger: Ledger) -> None:
    name, a, b = "Windbreak treated probe", date(2022, 5, 19), date(2022, 9, 7)
    rain = frames["Windbreak treated"].group_by(pl.col(TIME).dt.date().alias("day"))
    wet = rain.agg(pl.col("rain_mm").sum()).filter(pl.col("rain_mm") > 15)["day"].to_list()
    extra = pl.lit(0.0)
    for day in (d for d in wet if a <= d <= b):
        days = (pl.col(TIME) - midnight(day)).dt.total_hours() / 24
        extra += (
            pl.when(days >= 0.75).then(3.0 * (-(days - 0.75).clip(0, 60) / 1.2).exp()).otherwise(0)
        )
    rows = _change(frames, name, between(a, b), **{vwc(70): (pl.col(vwc(70)) + extra).round(1)})
    _note(ledger, "water beside the probe", 20, name, "70 cm: heavy rain runs down and drains again",
          "left in", "its fall after the rain must not be taken for uptake", a, b, rows)  # fmt: skip


def _soil_places(frames: Frames, _: np.random.Generator, ledger: Ledger) -> None:
    name, a, b = "Coulee check probe", date(2025, 5, 13), date(2025, 6, 10)
    swapped = {vwc(30): vwc(50), vwc(50): vwc(30), warmth(30): warmth(50), warmth(50): warmth(30)}
    rows = _change(frames, name, between(a, b), **{k: pl.col(v) for k, v in swapped.items()})
    _note(ledger, "two depths exchanged", 18, name, "30 and 50 cm plugged in crosswise for a month",
          "left in", "a step at both depths on the day it was put right", a, b, rows)  # fmt: skip
    name, a, b = "Stonepile check probe", date(2024, 6, 3), date(2024, 6, 8)
    depths = (10, 30, 50, 70)
    rows = _change(frames, name, between(a, b), **{vwc(d): pl.col(vwc(d)) * 100 for d in depths})
    _note(ledger, "unit drifts", 19, name, "writes per cent into columns of m3/m3 for six days",
          "refused", "values outside the limits", a, b, rows * len(depths))  # fmt: skip


def _silence(frames: Frames, rng: np.random.Generator, ledger: Ledger) -> None:
    def without(name: str, gone: pl.Expr) -> int:
        before = frames[name].height
        frames[name] = frames[name].filter(~gone)
        return before - frames[name].height

    a, b = date(2025, 2, 1), date(2025, 3, 20)
    rows = without("Gumbo treated", between(a, b))
    _note(ledger, "station silent", 13, "Gumbo treated", "seven weeks without a row", "marked",
          "coverage; the rain of those months is partial", a, b, rows)  # fmt: skip
    a = date(2025, 9, 25)
    day = (pl.col(TIME) - midnight(date(2025, 8, 20))).dt.total_hours() / 24
    low = (pl.col("battery_v") - 0.055 * day.clip(0, 40)).round(2)
    _change(frames, "Gumbo check", pl.lit(value=True), battery_v=low)
    rows = without("Gumbo check", between(a, date(2025, 10, 31)))
    _note(ledger, "battery gives out", 13, "Gumbo check", "sinking for five weeks, then nothing",
          "marked", "station_health: battery low, not heard since", a, None, rows)  # fmt: skip
    a, b = date(2023, 1, 1), date(2023, 12, 31)
    end = pl.col(TIME).dt.offset_by("-1s")
    last = end.dt.date() == end.dt.month_end().dt.date()
    rows = without("Coulee check", between(a, b) & last)
    _note(ledger, "last day of the month absent", 13, "Coulee check", "never written in 2023",
          "marked", "coverage; every month of the year is partial", a, b, rows)  # fmt: skip
    lost = 0
    for name in frames:
        keep = rng.random(frames[name].height) > 0.0004
        lost += int((~keep).sum())
        frames[name] = frames[name].filter(keep)
    _note(ledger, "rows lost here and there", 13, "all", "absent rows in place of missing values",
          "marked", "coverage a little below one", None, None, lost)  # fmt: skip


def _clocks(frames: Frames, _: np.random.Generator, ledger: Ledger) -> None:
    def lost_clock(name: str, first: datetime, hours: float, year: int) -> int:
        at = pl.col(FILED).is_between(first, first + timedelta(hours=hours))
        since = pl.datetime(year, 1, 1, time_unit="us") + (pl.col(FILED) - first)
        return _change(frames, name, at, **{TIME: since})

    rows = lost_clock("Windbreak treated", clock(date(2021, 12, 3), 6), 13, 2000)
    _note(ledger, "clock reset to 2000", 10, "Windbreak treated", "a battery change",
          "refused", "rows outside every spell", date(2021, 12, 3), date(2021, 12, 3), rows)  # fmt: skip
    rows = lost_clock("Stonepile treated", clock(date(2024, 11, 20), 9), 1.5, 1970)
    _note(ledger, "clock reset to 1970", 10, "Stonepile treated", "a restart", "refused",
          "rows outside every spell", date(2024, 11, 20), date(2024, 11, 20), rows)  # fmt: skip
    rows = lost_clock("Gumbo check probe", clock(date(2023, 6, 14), 7), 4, 2093)
    _note(ledger, "clock in the future", 10, "Gumbo check probe", "a wrong setting", "refused",
          "time after its receipt", date(2023, 6, 14), date(2023, 6, 14), rows)  # fmt: skip


def _codes(frames: Frames, rng: np.random.Generator, ledger: Ledger) -> None:
    name, a, b = "Coulee treated", date(2023, 1, 15), date(2023, 2, 15)
    rows_in = frames[name].filter(between(a, b))[TIME]
    at = rows_in.gather(np.sort(rng.choice(len(rows_in), 9, replace=False)))
    rows = _change(frames, name, pl.col(TIME).is_in(at.implode()), air_temp_c=pl.lit(-400.0))
    _note(ledger, "undeclared missing code", 5, name, "-400 in place of an air temperature",
          "refused", "values outside the limits", a, b, rows)  # fmt: skip
    gaps: dict[str, tuple[str, ...]] = {
        "Windbreak treated": ("air_temp_c", "wind_speed_m_s"),
        "Windbreak check": ("air_temp_c", "relative_humidity_pct"),
        "Coulee treated": ("relative_humidity_pct",),
        "Gumbo treated": ("air_temp_c", "rain_mm", "wind_speed_m_s"),
        "Gumbo check": ("relative_humidity_pct",),
    }
    for name, columns in gaps.items():
        for column in columns:
            lost = pl.lit(pl.Series(rng.random(frames[name].height) < 0.001))
            _change(frames, name, lost, **{column: pl.lit(None, pl.Float64)})


def _shed(frames: Frames, rng: np.random.Generator, ledger: Ledger) -> None:
    name, a, b = "Gumbo check probe", date(2024, 5, 6), date(2024, 5, 14)
    hours = ((b - a).days + 1) * 24
    times = pl.Series(TIME, [midnight(a) + timedelta(hours=i + 1) for i in range(hours)])
    columns: dict[str, Callable[[], np.ndarray]] = {}
    for column in frames[name].columns:
        if column.startswith("vwc"):
            columns[column] = lambda: np.round(rng.uniform(1, 4, hours), 1)
        elif column.startswith("soil"):
            columns[column] = lambda: np.round(rng.uniform(8, 16, hours), 1)
    shed = pl.DataFrame({TIME: times, **{k: v() for k, v in columns.items()}}).with_columns(
        pl.col(TIME).cast(pl.Datetime("us")).alias(FILED)
    )
    shed = shed.with_columns(pl.col(TIME).cast(pl.Datetime("us")))
    frames[name] = pl.concat([frames[name], shed.select(frames[name].columns)]).sort(FILED)
    _note(ledger, "probe in the shed", 18, name, "left running while it was lifted for seeding",
          "refused", "values outside every spell", a, b, hours)  # fmt: skip
