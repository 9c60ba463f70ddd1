"""What goes wrong with the instruments: faults in their readings, each noted in the ledger.

``faults.csv`` has the instrument and the days of each fault; here is what it does to the readings.
``FILED`` is when a row was written, ``TIME`` what its stamp says: a lost clock sets them apart.
"""

from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
import polars as pl

from demo_warehouse.simulator.ledger import Fault, Ledger
from demo_warehouse.simulator.probes import between, clock, midnight, vwc, warmth
from demo_warehouse.simulator.stations import TIME

FILED = "filed"
EVERY_ROW = pl.lit(value=True)
# A clock that is lost for some hours: when (of the fault's first day), how long, in which year it starts.
LOST_CLOCKS = (
    ("clock reset to 2000", 6, 13.0, 2000),
    ("clock reset to 1970", 9, 1.5, 1970),
    ("clock in the future", 7, 4.0, 2093),
)
# Columns in which single values are lost here and there; the logger writes its missing code.
GAPS = (
    ("Windbreak treated", "air_temp_c"),
    ("Windbreak treated", "wind_speed_m_s"),
    ("Windbreak check", "air_temp_c"),
    ("Windbreak check", "relative_humidity_pct"),
    ("Coulee treated", "relative_humidity_pct"),
    ("Gumbo treated", "air_temp_c"),
    ("Gumbo treated", "rain_mm"),
    ("Gumbo treated", "wind_speed_m_s"),
    ("Gumbo check", "relative_humidity_pct"),
)


def apply(frames: dict[str, pl.DataFrame], rng: np.random.Generator, ledger: Ledger) -> None:
    """Put every fault of the readings in: ``frames`` by instrument change, ``ledger`` has the rows."""
    for name, frame in frames.items():
        frames[name] = frame.with_columns(pl.col(TIME).alias(FILED))
    damage = Damage(frames, rng, ledger)
    for put in (_rain, _sun, _soil_values, _soil_places, _silence, _clocks, _codes, _shed):
        put(damage)


@dataclass(frozen=True, slots=True)
class Damage:
    """The readings by instrument while faults are put in, in one order, by one generator."""

    frames: dict[str, pl.DataFrame]
    rng: np.random.Generator
    ledger: Ledger

    def during(self, fault: str) -> pl.DataFrame:
        """Return the readings of a fault's instrument during its days."""
        known = self.ledger.faults[fault]
        return self.frames[known.instrument].filter(_days(known))

    def change(self, name: str, when: pl.Expr, **columns: pl.Expr) -> int:
        """Put new values into some rows of an instrument; returns how many rows."""
        frame = self.frames[name]
        self.frames[name] = frame.with_columns(
            pl.when(when).then(value).otherwise(pl.col(column)).alias(column)
            for column, value in columns.items()
        )
        return int(frame.select(when.sum()).item())

    def put(self, fault: str, when: pl.Expr | None = None, **columns: pl.Expr) -> int:
        """Change the rows of a fault's days (or those of ``when``), and note how many."""
        known = self.ledger.faults[fault]
        rows = self.change(known.instrument, _days(known) if when is None else when, **columns)
        self.ledger.note(fault, rows=rows)
        return rows

    def remove(self, fault: str, when: pl.Expr = EVERY_ROW) -> None:
        """Take away those rows of a fault's days, and note how many."""
        known = self.ledger.faults[fault]
        frame = self.frames[known.instrument]
        kept = frame.filter(~(_days(known) & when))
        self.frames[known.instrument] = kept
        self.ledger.note(fault, rows=frame.height - kept.height)

    def some(self, fault: str, number: int) -> pl.Expr:
        """Draw that many rows of a fault's days."""
        times = self.during(fault)[TIME]
        drawn = times.gather(np.sort(self.rng.choice(len(times), number, replace=False)))
        return pl.col(TIME).is_in(drawn.implode())


def _days(fault: Fault) -> pl.Expr:
    return between(fault.begins, fault.ends)


def _rain(damage: Damage) -> None:
    rain = pl.col("rain_mm")
    damage.put("clogged gauge", rain_mm=(rain / 2).round(1))
    july = damage.frames["Coulee treated"].filter(between(date(2022, 7, 1), date(2022, 7, 31)))
    wettest = july.group_by(pl.col(TIME).dt.date()).agg(rain.sum()).sort("rain_mm")[TIME][-1]
    damage.ledger.note("bouncing bucket", first=wettest, last=wettest)
    damage.put("bouncing bucket", rain_mm=rain * 2)
    visit = clock(damage.ledger.faults["tipped in service"].begins, 11)
    damage.put("tipped in service", pl.col(TIME) == visit, rain_mm=pl.lit(24.0))


def _sun(damage: Damage) -> None:
    fault = damage.ledger.faults["dying radiation sensor"]
    days = (pl.col(TIME) - midnight(fault.begins)).dt.total_days()
    age = (days / (fault.ends - fault.begins).days).clip(0, 1)
    fading = pl.col("solar_radiation_w_m2") * (1 - 0.4 * age)
    damage.put(fault.fault, solar_radiation_w_m2=fading.round(1))


def _soil_values(damage: Damage) -> None:
    stuck = damage.during("stuck sensor")[vwc(50)].drop_nulls()[0]
    damage.put("stuck sensor", **{vwc(50): pl.lit(stuck)})
    damage.put("dead sensor", **{vwc(100): pl.lit(0.0)})
    damage.put("spikes", damage.some("spikes", 12), **{vwc(30): pl.col(vwc(30)) + 14})
    damage.put("sensor swapped", **{vwc(30): pl.col(vwc(30)) + 4.5})
    swing = (pl.col(vwc(30)) + 0.16 * (pl.col(warmth(30)) - 15)).round(2)
    damage.put("temperature swing", EVERY_ROW, **{vwc(30): swing})
    _beside(damage)


def _beside(damage: Damage) -> None:
    """Let heavy rain run down beside the probe: a rise that fades over some days."""
    day = pl.col(TIME).dt.date().alias("day")
    rain = damage.frames["Windbreak treated"].group_by(day).agg(pl.col("rain_mm").sum())
    wet = rain.filter(pl.col("rain_mm") > 15)["day"].to_list()
    fault = damage.ledger.faults["water beside the probe"]
    extra = pl.lit(0.0)
    for at in (d for d in wet if fault.begins <= d <= fault.ends):
        since = (pl.col(TIME) - midnight(at)).dt.total_hours() / 24 - 0.75
        extra += pl.when(since >= 0).then(3.0 * (-since.clip(0, 60) / 1.2).exp()).otherwise(0)
    damage.put(fault.fault, **{vwc(70): (pl.col(vwc(70)) + extra).round(1)})


def _soil_places(damage: Damage) -> None:
    exchanged = ((30, 50), (50, 30))
    columns = {of(a): pl.col(of(b)) for of in (vwc, warmth) for a, b in exchanged}
    damage.put("two depths exchanged", **columns)
    depths = (10, 30, 50, 70)
    rows = damage.put("unit drifts", **{vwc(d): pl.col(vwc(d)) * 100 for d in depths})
    damage.ledger.note("unit drifts", rows=rows * len(depths))  # values, not rows


def _silence(damage: Damage) -> None:
    damage.remove("station silent")
    day = (pl.col(TIME) - midnight(date(2025, 8, 20))).dt.total_hours() / 24
    sinking = (pl.col("battery_v") - 0.055 * day.clip(0, 40)).round(2)
    damage.change("Gumbo check", EVERY_ROW, battery_v=sinking)
    damage.remove("battery gives out")
    end = pl.col(TIME).dt.offset_by("-1s")
    damage.remove("last day of the month absent", end.dt.date() == end.dt.month_end().dt.date())
    lost = 0
    for name, frame in damage.frames.items():
        kept = frame.filter(damage.rng.random(frame.height) > 0.0004)
        lost += frame.height - kept.height
        damage.frames[name] = kept
    damage.ledger.note("rows lost here and there", rows=lost)


def _clocks(damage: Damage) -> None:
    for fault, hour, hours, year in LOST_CLOCKS:
        first = clock(damage.ledger.faults[fault].begins, hour)
        lost = pl.col(FILED).is_between(first, first + timedelta(hours=hours))
        since = pl.datetime(year, 1, 1, time_unit="us") + (pl.col(FILED) - first)
        damage.put(fault, lost, **{TIME: since})


def _codes(damage: Damage) -> None:
    code = "undeclared missing code"
    damage.put(code, damage.some(code, 9), air_temp_c=pl.lit(-400.0))
    for name, column in GAPS:
        lost = pl.lit(pl.Series(damage.rng.random(damage.frames[name].height) < 0.001))
        damage.change(name, lost, **{column: pl.lit(None, pl.Float64)})


def _shed(damage: Damage) -> None:
    """Let a probe run on in the shed: rows of air, an hour apart, over the days of the fault."""
    fault = damage.ledger.faults["probe in the shed"]
    frame = damage.frames[fault.instrument]
    hours = (fault.ends - fault.begins).days * 24 + 24
    times = [midnight(fault.begins) + timedelta(hours=i + 1) for i in range(hours)]
    spans = {"vwc": (1, 4), "soil": (8, 16)}
    air = {
        column: np.round(damage.rng.uniform(*span, hours), 1)
        for column in frame.columns
        for start, span in spans.items()
        if column.startswith(start)
    }
    stamps = pl.Series(times, dtype=pl.Datetime("us"))
    shed = pl.DataFrame({TIME: stamps, FILED: stamps, **air}).select(frame.columns)
    damage.frames[fault.instrument] = pl.concat([frame, shed]).sort(FILED)
    damage.ledger.note(fault.fault, rows=hours)
