"""How each instrument is as of the latest day, what it had before, and what to do about it.

Every check of every instrument has a row that is current: found, good, or not evaluated (where it
begins, and stays unless the check could be made). Findings that are over are kept as rows that are
not current. Checks: silence, gaps and battery; station against station; stuck, impossible and
disturbed sensors. There is no clock here: silence runs to the farm's newest receipt, and 'now' of
the other checks is the latest day of any instrument on a trial. A station's own clock is judged by
the sun and by readings that were refused because they lay after their receipt, its gauge besides by
its own humid, dark days.
"""

from __future__ import annotations

from datetime import date

import polars as pl

from schemas import generated
from schemas.tables.health.sensor_run import ROW
from schemas.tables.health.station_health import SEVERITY, TABLE
from transforms.health.methods import (
    by_hand,
    clock,
    clogged,
    flagged,
    gauge,
    heard,
    rain_told,
    reporting,
    runs,
    sensors,
    set_aside,
    silence,
    states,
    station_pairs,
    sunlight,
)
from transforms.health.methods.advice import ADVICE, MISSING
from transforms.health.methods.spans import WHO, daily, labeled
from transforms.health.methods.states import BATTERY, INSTRUMENT
from transforms.methods import calendar_day, near
from transforms.methods.calendar_day import OPEN_END

# The probes' days of all years are the most that any table is made from: no more of them is read.
READS = {"soil_day": ("probe", "depth_cm", "day", "readings", "battery_min_v")}


def derive(
    *,
    weather_day: pl.DataFrame,
    weather_used_day: pl.DataFrame,
    soil_day: pl.DataFrame,
    sensor_run: pl.DataFrame,
    station_spell: pl.DataFrame,
    probe_spell: pl.DataFrame,
    sensor: pl.DataFrame,
    delivery: pl.DataFrame,
    delivery_instrument: pl.DataFrame,
    quarantine: pl.DataFrame,
    sun_day: pl.DataFrame,
    normal_day: pl.DataFrame,
    water_meter_day: pl.DataFrame,
    flagged_reading: pl.DataFrame,
    do_not_use: pl.DataFrame,
    farm: pl.DataFrame,
) -> pl.DataFrame:
    """One row an instrument, part, finding and span of days. Volts, mm, degC, percent, days."""
    weather_day, water_meter_day = (
        runs.in_order(frame, ["station", "day"]) for frame in (weather_day, water_meter_day)
    )
    values = heard.value_runs(weather_day, sensor_run, water_meter_day)
    flags = flagged.mostly(flagged.days(flagged_reading, farm), values, weather_day, soil_day)
    days = heard.with_flagged(values, flags)
    spells = _spells(station_spell, probe_spell)
    on_trial = spells.filter(pl.col("field").is_not_null() | pl.col("serves"))
    known = days.join(on_trial, on=INSTRUMENT, how="semi")["to_day"].max() or days["to_day"].max()
    if not isinstance(known, date):
        return generated.empty(TABLE)
    received = delivery.select(calendar_day.day_of(pl.col("received_at"), farm)).to_series().max()
    last = max(known, received) if isinstance(received, date) else known
    parts = _parts(days, spells, sensor)
    aside = set_aside.days(parts, do_not_use, last)
    as_of = max(known, _latest_aside(aside, weather_day, sensor_run, known))
    recorded = heard.with_flagged(heard.recorded_runs(weather_day, sensor_run), flags)
    lowest = soil_day.group_by("probe", "day").agg(pl.col("battery_min_v").min())
    volts = pl.concat(
        [daily(weather_day, "station", "battery_min_v"), daily(lowest, "probe", "battery_min_v")]
    )
    neighbors = near.neighbors(station_spell, farm)
    gauges, suns = (
        station_pairs.beside(days_of, neighbors, columns)
        for days_of, columns in (
            (clogged.wet_anywhere(weather_day), clogged.GAUGE),
            (weather_day, station_pairs.SUN),
        )
    )
    strips = station_pairs.of_one_field(weather_day, neighbors)
    checks = [
        silence.silence(
            heard.with_bare_ground(days, weather_day, farm),
            on_trial,
            _arrivals(delivery, delivery_instrument),
            sensor=sensor,
            aside=aside,
            as_of=last,
        ),
        reporting.gaps(_expected(spells, recorded, aside), recorded),
        reporting.batteries(volts),
        clogged.gauges(gauges),
        station_pairs.rain(station_pairs.recorded(strips, weather_used_day)),
        by_hand.rain(weather_day, weather_used_day, farm),
        rain_told.rain(weather_day, weather_used_day, neighbors),
        gauge.dry_gauges(weather_day, normal_day, farm),
        gauge.counter_faults(weather_day),
        clock.arrival(delivery, delivery_instrument, sun_day),
        station_pairs.radiation(suns),
        sunlight.alone(weather_day, farm),
        sunlight.stuck(weather_day),
        station_pairs.differences(strips),
        sensors.soil(sensor_run),
        sensors.weather(weather_day),
        sensors.snow(weather_day, farm),
        clock.clocks(delivery, quarantine, sun_day, as_of),
        flagged.found(flags, days, aside),
        (set_aside.found(parts, do_not_use, as_of), pl.DataFrame()),
    ]
    found = rain_told.once(_widest(pl.concat([check[0] for check in checks], how="diagonal")))
    seen = _once(pl.concat([check[1] for check in checks if check[1].width], how="diagonal"))
    standing = set_aside.standing(aside, as_of)
    found = found.with_columns(current=_current(found, standing, as_of), state=pl.lit("found"))
    every = states.every(spells, sensor, sensor_run, days)
    rows = pl.concat(
        [found, states.without(every, found, seen, standing, as_of)],
        how="diagonal",
    )
    return generated.conform(_with_advice(_placed(rows, spells)), TABLE).sort(TABLE.key)


def _parts(days: pl.DataFrame, spells: pl.DataFrame, sensor: pl.DataFrame) -> pl.DataFrame:
    """Every part (``heard.WHAT``) that gave a value or that farm.toml names."""
    whole = spells.select(*INSTRUMENT, part=pl.lit("whole"), depth_cm=pl.lit(None, pl.Float64))
    sensors_of = labeled(sensor, "probe", heard.named_depth())
    return pl.concat(frame.select(heard.WHAT) for frame in (days, whole, sensors_of)).unique(
        maintain_order=True
    )


def _latest_aside(
    aside: pl.DataFrame, weather_day: pl.DataFrame, sensor_run: pl.DataFrame, known: date
) -> date:
    """Latest day on which an instrument that is set aside as a whole still reported."""
    whole = aside.filter(pl.col("part") == set_aside.WHOLE).select(*INSTRUMENT, "day")
    if whole.is_empty():
        return known
    rows = heard.of_probes(sensor_run, ROW)
    reported = heard.of_instruments(weather_day, rows).rename({"day": "since"})
    both = whole.join(reported, on=INSTRUMENT).filter(pl.col("day").is_between("since", "to_day"))
    latest = both["day"].max()
    return latest if isinstance(latest, date) else known


def _spells(station_spell: pl.DataFrame, probe_spell: pl.DataFrame) -> pl.DataFrame:
    """Spells of stations and probes alike; an open one ends on ``OPEN_END``."""
    columns = [*INSTRUMENT, "from_day", "to_day", "field", "strip"]
    stations = labeled(station_spell, "station", "whole").select(*columns, "serves")
    probes = labeled(probe_spell, "probe", "whole").select(columns)
    return pl.concat([stations, probes], how="diagonal").with_columns(
        pl.col("to_day").fill_null(OPEN_END), pl.col("serves").fill_null(False)
    )


def _arrivals(delivery: pl.DataFrame, delivery_instrument: pl.DataFrame) -> pl.DataFrame:
    """Kind, instrument, day of each arrival, and the days that it brought at once."""
    brought = (pl.col("last_reading") - pl.col("first_reading")).dt.total_days()
    return delivery_instrument.join(
        delivery.select("sequence", "received_at", piece_d=brought), on="sequence"
    ).select(*INSTRUMENT, "piece_d", day=pl.col("received_at").dt.date())


def _expected(spells: pl.DataFrame, recorded: pl.DataFrame, aside: pl.DataFrame) -> pl.DataFrame:
    """Runs of days on which an instrument should have recorded: in a spell and its own record, not aside."""
    whole = aside.filter(pl.col("part") == set_aside.WHOLE).sort(*INSTRUMENT, "day")
    reach = recorded.group_by(INSTRUMENT).agg(
        first=pl.col("day").min(), last=pl.col("to_day").max()
    )
    inside = (
        spells.join(reach, on=INSTRUMENT)
        .select(
            *INSTRUMENT,
            day=pl.max_horizontal("from_day", "first"),
            to_day=pl.min_horizontal("to_day", "last"),
        )
        .filter(pl.col("day") <= pl.col("to_day"))
    )
    return runs.without(runs.union(inside, INSTRUMENT), runs.of_days(whole, INSTRUMENT), INSTRUMENT)


def _once(seen: pl.DataFrame) -> pl.DataFrame:
    """What was checked, a row a part and finding: two checks may look for the same."""
    return seen.group_by(WHO, maintain_order=True).agg(
        pl.col("checked_from").min(),
        pl.col("checked_to", "days").max(),
        pl.exclude("checked_from", "checked_to", "days").first(),
    )


def _widest(found: pl.DataFrame) -> pl.DataFrame:
    """Findings without those that lie whole within another of the same part (by another check)."""
    ordered = found.sort(*WHO, "from_day", "to_day", descending=[False] * 5 + [True])
    before = pl.col("to_day").cum_max().shift(1).over(WHO)
    return ordered.filter((before < pl.col("to_day")).fill_null(True))


def _current(found: pl.DataFrame, standing: pl.DataFrame, as_of: date) -> pl.Expr:
    """Whether a finding still stands: it reaches to within a few days of the latest day.

    A failing battery of a station that fell silent after it, too: nothing newer is known. What was
    found at a part that is set aside does not: whoever set it aside knows.
    """
    aside = pl.any_horizontal(
        pl.struct(INSTRUMENT).is_in(
            _structs(standing.filter(pl.col("part") == set_aside.WHOLE), INSTRUMENT)
        ),
        pl.struct(set_aside.PART).is_in(_structs(standing, set_aside.PART)),
    ) & (pl.col("finding") != set_aside.FINDING)
    silent = found.filter(pl.col("finding") == "silent").select(INSTRUMENT).unique()
    names = pl.struct(INSTRUMENT).is_in(_structs(silent, INSTRUMENT))
    late = (pl.lit(as_of, pl.Date) - pl.col("to_day")).dt.total_days() > states.late_d(0)
    return ~aside & (~late | (pl.col("finding").is_in(BATTERY) & names))


def _structs(rows: pl.DataFrame, names: list[str]) -> pl.Series:
    return rows.select(names).unique().to_struct().implode()


def _placed(rows: pl.DataFrame, spells: pl.DataFrame) -> pl.DataFrame:
    """Field and strip where the instrument stood last before the end of the span."""
    at = spells.sort("from_day").rename({"from_day": "since"}).drop("to_day", "serves")
    return rows.sort("to_day").join_asof(
        at, left_on="to_day", right_on="since", by=INSTRUMENT, check_sortedness=False
    )


def _with_advice(rows: pl.DataFrame) -> pl.DataFrame:
    """Add severity, advice, coverage and what is missing."""
    is_found = pl.col("state") == "found"
    length = (pl.col("to_day") - pl.col("from_day")).dt.total_days() + 1
    none = pl.col("state") == "not evaluated"
    share = pl.when(none).then(0.0).otherwise(pl.min_horizontal(pl.col("days") / length, 1.0))
    rows = rows.with_columns(coverage=share)
    few = (pl.col("coverage") < 0.5) & is_found & pl.col("finding").is_in(BATTERY)
    return rows.with_columns(
        severity=pl.when(is_found).then(
            pl.col("finding").replace_strict(SEVERITY, return_dtype=pl.String)
        ),
        advice=pl.when(is_found).then(
            pl.col("finding").replace_strict(ADVICE, return_dtype=pl.String)
        ),
        partial=none | few,
        reason=pl.when(none)
        .then(
            pl.coalesce("reason", pl.col("finding").replace_strict(MISSING, return_dtype=pl.String))
        )
        .when(few)
        .then(pl.lit("less than half of its days have a supply voltage")),
    ).select(pl.col(c) for c in TABLE.names)
