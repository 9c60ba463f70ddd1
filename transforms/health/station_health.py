"""How each instrument is as of the latest day, what it had before, and what to do about it.

Every check of every instrument has a row that is current: found, good, or not evaluated (where it
begins, and stays unless the check could be made). Findings that are over are kept as rows that are
not current. Checks: ``health_heard`` (silence, gaps, battery), ``health_pairs`` (station against
station), ``health_sensors`` (stuck, impossible, disturbed). There is no clock here: 'now' is the
latest day of any instrument on a trial. A station's own clock is judged by the sun and by readings
that were refused because they lay after their receipt (``health_clock``), its gauge besides by its
own humid, dark days (``health_gauge``).
"""

from __future__ import annotations

import polars as pl

from schemas import generated
from schemas.tables.health.station_health import SEVERITY, TABLE
from transforms.health.methods import clock, gauge, sensors
from transforms.health.methods import heard as health_heard
from transforms.health.methods import pairs as health_pairs
from transforms.health.methods.spans import WHO, labelled
from transforms.soil.methods.soil_layers import SPELL_OPEN

INSTRUMENT = ["kind", "instrument"]
SETTLED_D = 7  # a finding that ended so long ago may still stand: nothing newer says otherwise
CURRENT_D = {
    "rain disagreement": 31,
    "gap": 0, "gap pattern": 62, "gauge blocked": 62, "gauge dry": 92, "radiation low": 62,
    "clock": 31, "clock late": 31,
    "temperature disagreement": 62, "humidity disagreement": 62,
}  # fmt: skip

ADVICE = {
    "silent": "It has sent nothing since the day before; look at power, antenna or cable, and whether its files still arrive. What lies between stays unknown.",
    "battery failing": "Its battery is failing: replace or charge it now, and look at the charger or the solar panel.",
    "battery falling": "Its battery sinks lower than in the year before: clean the solar panel and plan to replace the battery before the day it fails.",
    "gap": "Days are missing: every total that holds them is short. Look whether the logger still has them, and put its file into the drop folder.",
    "gap pattern": "Single days are missing by the calendar: look at how its files are split or fetched, not at the instrument.",
    "stuck": "The sensor stands still at one value: look at cable and plug, and replace it if it does not come back. Its values of these days are not measurements.",
    "impossible": "The sensor gives what cannot be: look at cable, plug and calibration, and replace it if it does not come back.",
    "clock": "Its clock is wrong, by the sun or because it wrote times that lay in the future: set it. Where it is off by whole hours or by half a step, look at the time zone and at 'stamp' in farm.toml instead.",
    "clock late": "Its newest readings are older on arrival than they used to be: its clock may run slow, or its files are sent later. Hold its clock against a telephone's.",
    "gauge blocked": "Its gauge caught much less than that of the other strip on most wet days: clean the funnel and the screen, see that the bucket tips freely and stands level.",
    "gauge dry": "Its gauge caught nothing on humid, dark days that used to bring rain: clean the funnel and the screen, pour a measured cup of water through, and see that the bucket tips and its cable is whole.",
    "rain disagreement": "One day's rain differs much between the strips: a storm's edge, a gauge that was emptied, or water poured in at a service visit. Look at the notes of that day.",
    "radiation low": "It catches less sun than the station of the other strip: clean and level the radiation sensor, and have it calibrated or replaced if that does not help.",
    "temperature disagreement": "Air temperature differs from the other strip's station, one of the two: look at both shields and fans.",
    "humidity disagreement": "Humidity differs from the other strip's station, one of the two: look at both filters, and have the sensors calibrated.",
    "depths exchanged": "Two depths take each other's values from this day: they were plugged crosswise before it, or are since. Look at the plugs and correct the sensors' depths in farm.toml for those days.",
    "probe disturbed": "Most of its sensors jumped at once without rain: the probe may have been moved, pulled or cut. Look at it, and begin a new spell in farm.toml if it was set again.",
}  # fmt: skip

MISSING = {
    "silent": "it does not stand on a trial any more, or was never heard",
    "battery failing": "no supply voltage of at least ten days, and of three months before them",
    "battery falling": "no supply voltage of at least ten days, and of three months before them",
    "gap": "it was never heard",
    "gap pattern": "it was never heard",
    "stuck": "no whole days with lowest and highest value",
    "impossible": "no values to judge",
    "clock": "fewer than five clear days with whole radiation in steps of an hour or less within a month; readings later than their receipt would be noticed, and there were none",
    "clock late": "too few arrivals within a day and a half of their readings to know a habit",
    "gauge blocked": "no month with enough wet days that both strips' stations recorded whole and without snow",
    "gauge dry": "fewer than ten humid, dark, snow-free days with humidity, radiation and rain whole",
    "rain disagreement": "no days that both strips' stations recorded whole and without snow",
    "radiation low": "no days of radiation that both strips' stations recorded whole",
    "temperature disagreement": "no days that both strips' stations recorded whole",
    "humidity disagreement": "no days that both strips' stations recorded whole",
    "depths exchanged": "no dry and frost-free days in a row",
    "probe disturbed": "no dry and frost-free days in a row",
}  # fmt: skip

_BOTH = {"whole": ("silent", "gap", "gap pattern"), "battery": ("battery failing", "battery falling"), "clock": ("clock", "clock late")}  # fmt: skip
PARTS: dict[str, dict[str, tuple[str, ...]]] = {
    "station": {
        **_BOTH,
        "rain gauge": ("gauge blocked", "gauge dry", "rain disagreement"),
        "radiation": ("radiation low",),
        "air temperature": ("stuck", "temperature disagreement"),
        "humidity": ("stuck", "humidity disagreement"),
        "wind": ("stuck",),
    },
    "probe": {**_BOTH, "whole": (*_BOTH["whole"], "probe disturbed", "depths exchanged")},
}
SENSOR = ("stuck", "impossible")


def derive(
    *,
    weather_day: pl.DataFrame,
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
    farm: pl.DataFrame,
) -> pl.DataFrame:
    """One row an instrument, part, finding and span of days. Volts, mm, degC, percent, days."""
    weather_day = weather_day.filter(pl.col("field").is_not_null())
    heard = pl.concat(
        [
            health_heard.unlabelled(weather_day, "station"),
            health_heard.unlabelled(soil_day, "probe").unique(),
        ]
    )
    as_of = heard["day"].max()
    if as_of is None:
        return generated.empty(TABLE)
    spells = _spells(station_spell, probe_spell)
    expected = _expected(spells, heard)
    arrivals = delivery_instrument.join(
        delivery.select("sequence", "received_at"), on="sequence"
    ).select(*INSTRUMENT, day=pl.col("received_at").dt.date())
    standing = spells.filter((pl.col("from_day") <= as_of) & (pl.col("to_day") >= as_of))
    told = heard.with_columns(as_of=pl.lit(as_of)).join(
        standing.select(*INSTRUMENT, open=pl.lit(True)).unique(), on=INSTRUMENT, how="left"
    )
    volts = pl.concat(
        [
            health_heard.unlabelled(weather_day, "station", "battery_min_v"),
            health_heard.unlabelled(
                soil_day.group_by("probe", "day").agg(pl.col("battery_min_v").min()),
                "probe",
                "battery_min_v",
            ),
        ]
    )
    pairs = health_pairs.sides(weather_day)
    checks = [
        health_heard.silence(told.with_columns(pl.col("open").fill_null(False)), arrivals),
        health_heard.gaps(expected, heard),
        health_heard.batteries(volts),
        health_pairs.rain(pairs),
        gauge.alone(weather_day, normal_day, farm),
        clock.arrival(delivery, delivery_instrument, sun_day),
        health_pairs.radiation(pairs),
        health_pairs.differences(pairs),
        sensors.soil(soil_quality_day),
        sensors.weather(weather_day),
        sensors.probes(soil_day, weather_day),
        clock.clocks(delivery, quarantine, sun_day, as_of),
    ]
    found = pl.concat([check[0] for check in checks], how="diagonal")
    seen = pl.concat([check[1] for check in checks if check[1].width], how="diagonal")
    found = found.with_columns(current=_current(found, as_of), state=pl.lit("found"))
    rows = pl.concat(
        [found, _without(_every(spells, sensor, soil_day), found, seen, as_of)], how="diagonal"
    )
    return generated.conform(_told(_placed(rows, spells)), TABLE).sort(TABLE.key)


def _spells(station_spell: pl.DataFrame, probe_spell: pl.DataFrame) -> pl.DataFrame:
    """Spells on a trial of stations and probes alike; an open one ends in 9999."""
    of = [
        labelled(frame, kind, "whole").select(*INSTRUMENT, "from_day", "to_day", "field", "strip")
        for frame, kind in ((station_spell, "station"), (probe_spell, "probe"))
    ]
    return (
        pl.concat(of)
        .filter(pl.col("field").is_not_null())
        .with_columns(pl.col("to_day").fill_null(SPELL_OPEN))
    )


def _expected(spells: pl.DataFrame, heard: pl.DataFrame) -> pl.DataFrame:
    """Days on which an instrument should have been heard: in a spell, and in its own record."""
    reach = heard.group_by(INSTRUMENT).agg(first=pl.col("day").min(), last=pl.col("day").max())
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


def _current(found: pl.DataFrame, as_of: object) -> pl.Expr:
    """Whether a finding still stands: it reaches to within a few days of the latest day.

    A failing battery of a station that fell silent after it, too: nothing newer is known.
    """
    silent = found.filter(pl.col("finding") == "silent").select(INSTRUMENT).unique()
    names = pl.struct(INSTRUMENT).is_in(silent.to_struct().implode())
    return ((pl.lit(as_of, pl.Date) - pl.col("to_day")).dt.total_days() <= _late(0)) | (
        pl.col("finding").is_in(["battery failing", "battery falling"]) & names
    )


def _every(spells: pl.DataFrame, sensor: pl.DataFrame, soil_day: pl.DataFrame) -> pl.DataFrame:
    """Every check of every instrument."""
    named = [
        (kind, part, finding)
        for kind, parts in PARTS.items()
        for part, findings in parts.items()
        for finding in findings
    ]
    checks = pl.DataFrame(named, schema=["kind", "part", "finding"], orient="row")
    whole = spells.select(INSTRUMENT).unique().join(checks, on="kind")
    depths = pl.concat([f.select("probe", "depth_cm") for f in (sensor, soil_day)]).unique()
    by_depth = labelled(depths, "probe", sensors.named_depth()).select(
        *INSTRUMENT, "part", "depth_cm"
    )
    each = [by_depth.with_columns(finding=pl.lit(f)) for f in SENSOR]
    return pl.concat([whole, *each], how="diagonal")


def _without(
    every: pl.DataFrame, found: pl.DataFrame, seen: pl.DataFrame, as_of: object
) -> pl.DataFrame:
    """The checks that found nothing that still stands: good since when, or not evaluated."""
    over = found.filter(~pl.col("current")).group_by(WHO).agg(over=pl.col("to_day").max())
    standing = found.filter("current")
    standing = pl.concat(
        [
            standing.select(WHO),
            # A battery that is failing is not, besides, good at not falling.
            *(
                standing.filter(pl.col("finding") == a).select(*WHO[:-1], finding=pl.lit(b))
                for a, b in (("battery failing", "battery falling"), ("battery falling", "battery failing"))
            ),
        ]
    ).unique()  # fmt: skip
    rows = (
        every.join(standing, on=WHO, how="anti")
        .join(seen.drop("depth_cm"), on=WHO, how="left")
        .join(over, on=WHO, how="left")
    )
    known = pl.col("looked_to").is_not_null() & (
        pl.col("over").is_null() | (pl.col("looked_to") > pl.col("over"))
    )
    day = pl.lit(as_of, pl.Date)
    stale = (day - pl.col("looked_to")).dt.total_days() > _late(SETTLED_D)
    good = known & ~stale
    since = pl.max_horizontal("looked_from", pl.col("over").dt.offset_by("1d"))
    return rows.with_columns(
        state=pl.when(good).then(pl.lit("good")).otherwise(pl.lit("not evaluated")),
        from_day=pl.when(good).then(since).otherwise(day),
        to_day=pl.when(good).then("looked_to").otherwise(day),
        current=pl.lit(True),
        reason=pl.when(pl.col("looked_to").is_not_null() & ~good).then(
            pl.format("nothing to judge by since {}", "looked_to")
        ),
    ).drop("looked_from", "looked_to", "over")


def _late(least: int) -> pl.Expr:
    """Days after which a finding is over, and a good one too old to be called good."""
    days = pl.col("finding").replace_strict(CURRENT_D, default=SETTLED_D, return_dtype=pl.Int64)
    return days.clip(lower_bound=least)


def _placed(rows: pl.DataFrame, spells: pl.DataFrame) -> pl.DataFrame:
    """Field and strip where the instrument stood last before the end of the span."""
    at = spells.sort("from_day").rename({"from_day": "since"}).drop("to_day")
    return rows.sort("to_day").join_asof(
        at, left_on="to_day", right_on="since", by=INSTRUMENT, check_sortedness=False
    )


def _told(rows: pl.DataFrame) -> pl.DataFrame:
    """Severity, advice, coverage and what is missing."""
    is_found = pl.col("state") == "found"
    length = (pl.col("to_day") - pl.col("from_day")).dt.total_days() + 1
    none = pl.col("state") == "not evaluated"
    share = pl.when(none).then(0.0).otherwise(
        pl.min_horizontal(pl.col("days") / length, 1.0)
    )  # fmt: skip
    rows = rows.with_columns(coverage=share)
    few = (pl.col("coverage") < 0.5) & is_found & pl.col("finding").is_in(["battery failing", "battery falling"])  # fmt: skip
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
