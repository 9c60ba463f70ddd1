"""Instruments by the clock: when each was last heard, which are silent, what health found at them."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime, timedelta
from itertools import groupby
from typing import Any

import duckdb

from flows.store.connection import records
from schemas import generated
from schemas.catalogue import TABLES
from schemas.quantities import Instrument, columns_of

# Columns of readings that say nothing of what an instrument measures.
_BESIDE = ("battery_v", "probe_battery_v", "rain_counter_rolls_at_mm", "water_counter_rolls_at_m3")
_NAMED = 6  # instruments named in one sentence
_EACH = 2  # so many are named without being counted
_SILENT_AFTER_D = 2.0  # without a habit; common practice, no source
_BATTERY = "battery%"
_LATELY = timedelta(days=60)
_READINGS = {Instrument.STATION: "weather_reading", Instrument.PROBE: "soil_reading"}

Found = dict[str, Any]


def _has_value(instrument: Instrument) -> str:
    names = [c.name for c in columns_of(instrument) if c.name not in _BESIDE]
    return " OR ".join(f"{generated.quoted(name)} IS NOT NULL" for name in names)


_LAST_HEARD = f"""
    WITH spell AS (
        SELECT 'station' AS kind, station AS instrument, from_day, to_day,
            field IS NOT NULL OR coalesce(serves, false) AS used FROM station_spell
        UNION ALL SELECT 'probe', probe, from_day, to_day, true FROM probe_spell
    ), standing AS (
        SELECT kind, instrument, true AS standing, bool_or(used) AS on_trial,
            max(from_day) AS since
        FROM spell WHERE from_day <= $today AND coalesce(to_day >= $today, true) GROUP BY ALL
    ), heard AS (
        SELECT unnest($kinds) AS kind, unnest($names) AS instrument,
            unnest($lasts::TIMESTAMPTZ[]) AS last
        UNION ALL SELECT CASE WHEN depth_cm < 0 THEN 'station' ELSE 'probe' END, instrument, max(time)
        FROM flagged_reading GROUP BY ALL
    ), last AS (
        SELECT kind, instrument, max(last) AS last FROM heard GROUP BY ALL
    ), habit AS (
        SELECT kind, instrument, max(silent_after_d) AS after_d FROM station_health
        WHERE finding = 'silent' AND current GROUP BY ALL
    )
    SELECT kind, instrument, strftime(last, '%Y-%m-%dT%H:%M:%SZ') AS last_heard,
        coalesce(standing, false) AS standing, coalesce(on_trial, false) AS on_trial,
        coalesce(after_d, {_SILENT_AFTER_D}) AS silent_after_d,
        strftime(since, '%Y-%m-%d') AS stands_since
    FROM (SELECT DISTINCT kind, instrument FROM spell UNION SELECT kind, instrument FROM last)
    LEFT JOIN last USING (kind, instrument) LEFT JOIN standing USING (kind, instrument)
    LEFT JOIN habit USING (kind, instrument)
    ORDER BY kind DESC, instrument
"""
_FOUND = f"""
    SELECT kind, instrument, part, finding, strftime(from_day, '%Y-%m-%d') AS since, cause,
        advice
    FROM station_health
    WHERE state = 'found' AND severity = 'hands' AND current AND finding <> 'silent'
    ORDER BY finding LIKE '{_BATTERY}' DESC, finding, from_day, cause, kind DESC, instrument, depth_cm, part
"""
_ASIDE = """
    SELECT kind, instrument, part, strftime(from_day, '%Y-%m-%d') AS since, cause FROM station_health
    WHERE finding = 'set aside' AND current ORDER BY from_day, kind DESC, instrument, depth_cm, part
"""


def last_heard(con: duckdb.DuckDBPyConnection, now: datetime) -> list[Found]:
    """Return every instrument with the time of its last value, and for how many hours it is silent."""
    heard = [
        (kind, name, last)
        for kind, instrument in (("station", Instrument.STATION), ("probe", Instrument.PROBE))
        for name, last in _last_values(con, instrument, kind, now).items()
    ]
    kinds, names, lasts = ([row[n] for row in heard] for n in range(3))
    given = {"today": now.date(), "kinds": kinds, "names": names, "lasts": lasts}
    rows: list[Found] = records(con, _LAST_HEARD, given)
    for row in rows:
        row["silent_h"] = _hours_since(row["last_heard"], now)
        since = max(filter(None, (row["last_heard"], row.pop("stands_since"))), default=None)
        quiet_h = _hours_since(since, now)
        row["silent"] = bool(
            row["on_trial"]
            and row["last_heard"]
            and quiet_h is not None
            and quiet_h > 24 * row["silent_after_d"]
        )
        row["silent_from"] = _silent_from(row, since)
    return rows


def _last_values(
    con: duckdb.DuckDBPyConnection, instrument: Instrument, kind: str, now: datetime
) -> dict[str, datetime | None]:
    """Return when each instrument with readings gave its last value; null if it never gave one.

    A row with empty cells, or with nothing but a battery, is not a word from the instrument; a value
    that its network flagged is. All years are looked through only for those that were not heard lately.
    """
    table = TABLES[_READINGS[instrument]]
    kept = con.sql(f"SELECT DISTINCT {kind} FROM {generated.store(table)}").fetchall()

    def found(where: str) -> dict[str, datetime]:
        return dict(
            con.sql(
                f"SELECT {kind}, max(time) FROM {table.name} "
                f"WHERE {where} AND ({_has_value(instrument)}) GROUP BY ALL"
            ).fetchall()
        )

    lately = found(f"time > TIMESTAMPTZ '{(now - _LATELY).isoformat()}'")
    others = [name for (name,) in kept if name not in lately]
    named = ", ".join(generated.literal(name) for name in others)
    earlier = found(f"{kind} IN ({named})") if others else {}
    return dict.fromkeys((name for (name,) in kept), None) | earlier | lately


def _silent_from(row: Found, since: str | None) -> str | None:
    """Return when an instrument of a trial begins to be silent if nothing is heard before."""
    if not row["on_trial"] or not row["last_heard"] or since is None:
        return None
    last = datetime.fromisoformat(since)
    last = last if last.tzinfo else last.replace(tzinfo=UTC)
    return (last + timedelta(days=row["silent_after_d"])).isoformat()


def attention(con: duckdb.DuckDBPyConnection, heard: list[Found]) -> list[str]:
    """Return a sentence for each instrument that needs attention; those silent since one day in one."""
    out = [
        f"The {one['kind']} {one['instrument']} has never reported. "
        "Look whether its files arrive and whether its name is in a source of farm.toml."
        for one in heard
        if one["standing"] and one["last_heard"] is None
    ]
    out += _silent([one for one in heard if one["silent"]])
    known = {(one["kind"], one["instrument"]): one for one in heard}
    found: list[Found] = records(con, _FOUND)
    return out + _findings([row for row in found if _is_news(row, known)])


def set_aside(con: duckdb.DuckDBPyConnection) -> list[str]:
    """Return a sentence for each part that the field book says not to use, as of the latest day."""
    return [
        f"The {row['kind']} {row['instrument']}{_parts([row['part']])} is set aside by the field book "
        f"since {row['since']}: {row['cause']}."
        for row in records(con, _ASIDE)
    ]


def _is_news(row: Found, known: dict[tuple[str, str], Found]) -> bool:
    """Whether a finding is of an instrument on a field, and not older than its silence."""
    of = known.get((row["kind"], row["instrument"]))
    if of is None or not of["on_trial"]:
        return False
    return not of["silent"] or row["finding"].startswith("battery")


def _silent(rows: list[Found]) -> list[str]:
    """Instruments that are silent, a sentence a day since when."""
    ordered = sorted(rows, key=lambda row: str(row["last_heard"])[:10])
    out = []
    for day, group in groupby(ordered, key=lambda row: str(row["last_heard"])[:10]):
        those = list(group)
        days = max(row["silent_h"] for row in those) / 24
        has = "has" if len(those) == 1 else "have"
        ask = (
            "Check its power, its antenna or cable, and whether its files still arrive."
            if len(those) == 1
            else "Check what they share: the service or gateway that brings their files, the power."
        )
        out.append(f"{_named(those)} {has} sent no values since {day} ({days:,.0f} days). {ask}")
    return out


def _findings(rows: list[Found]) -> list[str]:
    """What health found, a sentence a finding and day since when."""
    out = []
    for _, group in groupby(rows, key=lambda row: (row["finding"], row["since"], row["cause"])):
        those = list(group)
        first = those[0]
        who = [
            f"the {kind} {instrument}" + _parts([row["part"] for row in same])
            for (kind, instrument), same in groupby(
                those, key=lambda row: (row["kind"], row["instrument"])
            )
        ]
        text = "; ".join(who[:_NAMED]) + (
            f" and {len(who) - _NAMED:,} more" if len(who) > _NAMED else ""
        )
        why = f" ({first['cause']})" if first["cause"] else ""
        out.append(
            f"{text[0].upper()}{text[1:]}: {first['finding']} since {first['since']}{why}. "
            f"{first['advice']}"
        )
    return out


def _parts(parts: list[str]) -> str:
    named = [part for part in parts if part != "whole"]
    return f" ({', '.join(named)})" if named else ""


def _named(rows: list[Found]) -> str:
    """'The station A and the probe B', or '16 stations and 2 probes (A, B and 16 more)'."""
    if len(rows) <= _EACH:
        return "The " + " and the ".join(f"{row['kind']} {row['instrument']}" for row in rows)
    counts = [
        f"{number:,} {kind}{'s' if number > 1 else ''}"
        for kind in ("station", "probe")
        if (number := sum(row["kind"] == kind for row in rows))
    ]
    return f"{' and '.join(counts)} ({_some([row['instrument'] for row in rows])})"


def _some(names: Iterable[str]) -> str:
    every = list(names)
    more = len(every) - _NAMED
    return ", ".join(every[:_NAMED]) + (f" and {more:,} more" if more > 0 else "")


def _hours_since(stamp: str | None, now: datetime) -> float | None:
    if stamp is None:
        return None
    moment = datetime.fromisoformat(stamp)
    moment = moment if moment.tzinfo else moment.replace(tzinfo=UTC)
    return round((now - moment).total_seconds() / 3600, 1)
