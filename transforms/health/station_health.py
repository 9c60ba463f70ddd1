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
from schemas.tables.health.station_health import SEVERITY, TABLE
from transforms.health.methods import (
    by_hand,
    clock,
    clogged,
    gauge,
    heard,
    reporting,
    sensors,
    silence,
    station_pairs,
    sunlight,
)
from transforms.health.methods.advice import ADVICE, MISSING
from transforms.health.methods.spans import WHO, daily, labelled
from transforms.methods import calendar_day, near
from transforms.methods.calendar_day import OPEN_END

INSTRUMENT = ["kind", "instrument"]
SETTLED_D = 7  # a finding that ended so long ago may still stand: nothing newer says otherwise
CURRENT_D = {
    "rain disagreement": 31,
    "hand gauge disagreement": 31,
    "gap": 0,
    "gap pattern": 62,
    "gauge blocked": 62,
    "gauge dry": 92,
    "radiation low": 62,
    "radiation high": 62,
    "clock": 31,
    "clock late": 31,
    "temperature disagreement": 62,
    "humidity disagreement": 62,
}

BATTERY = ("battery failing", "battery falling")
_BOTH = {
    "whole": ("silent", "gap", "gap pattern"),
    "battery": BATTERY,
    "clock": ("clock", "clock late"),
}
PARTS: dict[str, dict[str, tuple[str, ...]]] = {
    "station": {
        **_BOTH,
        "rain gauge": (
            "no values",
            "gauge blocked",
            "gauge dry",
            "rain disagreement",
            "hand gauge disagreement",
        ),
        "rain counter": ("counter jump",),
        "radiation": ("no values", "stuck", "radiation low", "radiation high"),
        "air temperature": ("no values", "stuck", "temperature disagreement"),
        "humidity": ("no values", "stuck", "humidity disagreement"),
        "wind": ("no values", "stuck"),
        "air pressure": ("no values", "stuck"),
    },
    "probe": {**_BOTH, "whole": (*_BOTH["whole"], "probe disturbed", "depths exchanged")},
}
OF_SENSOR = ("no values", "stuck", "impossible")


def derive(
    *,
    weather_day: pl.DataFrame,
    weather_used_day: pl.DataFrame,
    soil_day: pl.DataFrame,
    soil_quality_day: pl.DataFrame,
    station_spell: pl.DataFrame,
    probe_spell: pl.DataFrame,
    sensor: pl.DataFrame,
    delivery: pl.DataFrame,
    delivery_instrument: pl.DataFrame,
    quarantine: pl.DataFrame,
    sun_day: pl.DataFrame,
    normal_day: pl.DataFrame,
    irrigation_day: pl.DataFrame,
    farm: pl.DataFrame,
) -> pl.DataFrame:
    """One row an instrument, part, finding and span of days. Volts, mm, degC, percent, days."""
    days = heard.value_days(weather_day, soil_day)
    spells = _spells(station_spell, probe_spell)
    on_trial = spells.filter(pl.col("field").is_not_null() | pl.col("serves"))
    as_of = days.join(on_trial, on=INSTRUMENT, how="semi")["day"].max() or days["day"].max()
    if not isinstance(as_of, date):
        return generated.empty(TABLE)
    recorded = heard.recorded_days(weather_day, soil_day)
    received = delivery.select(calendar_day.day_of(pl.col("received_at"), farm)).to_series().max()
    lowest = soil_day.group_by("probe", "day").agg(pl.col("battery_min_v").min())
    volts = pl.concat(
        [daily(weather_day, "station", "battery_min_v"), daily(lowest, "probe", "battery_min_v")]
    )
    pairs = station_pairs.beside(weather_day, near.neighbors(station_spell, farm))
    checks = [
        silence.silence(
            days,
            on_trial,
            _arrivals(delivery, delivery_instrument),
            sensor,
            max(as_of, received) if isinstance(received, date) else as_of,
        ),
        reporting.gaps(_expected(spells, recorded), recorded),
        reporting.batteries(volts),
        clogged.gauges(pairs),
        station_pairs.rain(station_pairs.recorded(pairs, weather_used_day)),
        by_hand.rain(weather_day, weather_used_day, farm),
        gauge.dry_gauges(weather_day, normal_day, farm),
        gauge.counter_faults(weather_day),
        clock.arrival(delivery, delivery_instrument, sun_day),
        station_pairs.radiation(pairs),
        sunlight.alone(weather_day, farm),
        sunlight.stuck(weather_day),
        station_pairs.differences(pairs),
        sensors.soil(soil_quality_day),
        sensors.weather(weather_day),
        sensors.probes(
            soil_day, near.wettest(weather_used_day, station_spell, farm), irrigation_day
        ),
        clock.clocks(delivery, quarantine, sun_day, as_of),
    ]
    found = _widest(pl.concat([check[0] for check in checks], how="diagonal"))
    seen = _once(pl.concat([check[1] for check in checks if check[1].width], how="diagonal"))
    found = found.with_columns(current=_current(found, as_of), state=pl.lit("found"))
    rows = pl.concat(
        [found, _without(_every(spells, sensor, soil_day, days), found, seen, as_of)],
        how="diagonal",
    )
    return generated.conform(_with_advice(_placed(rows, spells)), TABLE).sort(TABLE.key)


def _spells(station_spell: pl.DataFrame, probe_spell: pl.DataFrame) -> pl.DataFrame:
    """Spells of stations and probes alike; an open one ends on ``OPEN_END``."""
    columns = [*INSTRUMENT, "from_day", "to_day", "field", "strip"]
    stations = labelled(station_spell, "station", "whole").select(*columns, "serves")
    probes = labelled(probe_spell, "probe", "whole").select(columns)
    return pl.concat([stations, probes], how="diagonal").with_columns(
        pl.col("to_day").fill_null(OPEN_END), pl.col("serves").fill_null(False)
    )


def _arrivals(delivery: pl.DataFrame, delivery_instrument: pl.DataFrame) -> pl.DataFrame:
    """Kind, instrument, day of each arrival, and the days that it brought at once."""
    brought = (pl.col("last_reading") - pl.col("first_reading")).dt.total_days()
    return delivery_instrument.join(
        delivery.select("sequence", "received_at", piece_d=brought), on="sequence"
    ).select(*INSTRUMENT, "piece_d", day=pl.col("received_at").dt.date())


def _expected(spells: pl.DataFrame, recorded: pl.DataFrame) -> pl.DataFrame:
    """Days on which an instrument should have recorded: in a spell, and in its own record."""
    reach = recorded.group_by(INSTRUMENT).agg(first=pl.col("day").min(), last=pl.col("day").max())
    return (
        spells.join(reach, on=INSTRUMENT)
        .with_columns(
            begin=pl.max_horizontal("from_day", "first"), end=pl.min_horizontal("to_day", "last")
        )
        .filter(pl.col("begin") <= pl.col("end"))
        .select(*INSTRUMENT, day=pl.date_ranges("begin", "end"))
        .explode("day", empty_as_null=False)
        .unique(maintain_order=True)
    )


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


def _current(found: pl.DataFrame, as_of: object) -> pl.Expr:
    """Whether a finding still stands: it reaches to within a few days of the latest day.

    A failing battery of a station that fell silent after it, too: nothing newer is known.
    """
    silent = found.filter(pl.col("finding") == "silent").select(INSTRUMENT).unique()
    names = pl.struct(INSTRUMENT).is_in(silent.to_struct().implode())
    return ((pl.lit(as_of, pl.Date) - pl.col("to_day")).dt.total_days() <= _late(0)) | (
        pl.col("finding").is_in(BATTERY) & names
    )


def _every(
    spells: pl.DataFrame, sensor: pl.DataFrame, soil_day: pl.DataFrame, days: pl.DataFrame
) -> pl.DataFrame:
    """Every check of every instrument and sensor."""
    named = [
        (kind, part, finding)
        for kind, parts in PARTS.items()
        for part, findings in parts.items()
        for finding in findings
    ]
    checks = pl.DataFrame(named, schema=["kind", "part", "finding"], orient="row")
    whole = spells.select(INSTRUMENT).unique().join(checks, on="kind")
    depths = pl.concat([f.select("probe", "depth_cm") for f in (sensor, soil_day)]).unique()
    by_depth = labelled(depths, "probe", heard.named_depth()).select(
        *INSTRUMENT, "part", "depth_cm"
    )
    each = [by_depth.with_columns(finding=pl.lit(f)) for f in OF_SENSOR]
    temperature = (
        days.filter((pl.col("kind") == "probe") & pl.col("part").str.ends_with(heard.TEMPERATURE))
        .select(*INSTRUMENT, "part", "depth_cm")
        .unique()
        .with_columns(finding=pl.lit("no values"))
    )
    return pl.concat([whole, *each, temperature], how="diagonal")


def _without(
    every: pl.DataFrame, found: pl.DataFrame, seen: pl.DataFrame, as_of: object
) -> pl.DataFrame:
    """The checks that found nothing that still stands: good since when, or not evaluated.

    What a pair of stations differs by is told at one of them; the other is not called good.
    """
    over = found.filter(~pl.col("current")).group_by(WHO).agg(over=pl.col("to_day").max())
    # A battery that is failing is not, besides, good at not falling.
    other = dict(zip(BATTERY, reversed(BATTERY), strict=True))
    standing = found.filter("current").select(WHO)
    battery = standing.filter(pl.col("finding").is_in(BATTERY))
    standing = pl.concat(
        [standing, battery.with_columns(pl.col("finding").replace(other))]
    ).unique()
    told = found.filter(
        pl.col("current") & pl.col("finding").is_in(station_pairs.TOLD_ONCE)
    ).select("kind", "part", "finding", instrument="compared_with", told_at="instrument")
    rows = (
        every.join(standing, on=WHO, how="anti")
        .join(seen.drop("depth_cm"), on=WHO, how="left")
        .join(over, on=WHO, how="left")
        .join(told.unique(WHO, keep="first", maintain_order=True), on=WHO, how="left")
    )
    known = pl.col("checked_to").is_not_null() & (
        pl.col("over").is_null() | (pl.col("checked_to") > pl.col("over"))
    )
    day = pl.lit(as_of, pl.Date)
    stale = (day - pl.col("checked_to")).dt.total_days() > _late(SETTLED_D)
    good = known & ~stale & pl.col("told_at").is_null()
    since = pl.max_horizontal("checked_from", pl.col("over").dt.offset_by("1d"))
    return rows.with_columns(
        state=pl.when(good).then(pl.lit("good")).otherwise(pl.lit("not evaluated")),
        from_day=pl.when(good).then(since).otherwise(day),
        to_day=pl.when(good).then("checked_to").otherwise(day),
        current=pl.lit(True),
        reason=pl.when(pl.col("told_at").is_not_null())
        .then(pl.format("the two stations differ; see {}", "told_at"))
        .when(pl.col("checked_to").is_not_null() & ~good)
        .then(pl.format("nothing to judge by since {}", "checked_to")),
    ).drop("checked_from", "checked_to", "over", "told_at")


def _late(least: int) -> pl.Expr:
    """Days after which a finding is over, and a good one too old to be called good."""
    days = pl.col("finding").replace_strict(CURRENT_D, default=SETTLED_D, return_dtype=pl.Int64)
    return days.clip(lower_bound=least)


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
