"""List the readings of hand gauges that stand beside the stations behind a row."""

from __future__ import annotations

import duckdb

from flows.base.plain_text import counted
from flows.trust.explain.files_behind import instruments_of
from flows.trust.explain.scope import Scope

_MOST = 12


def lines(con: duckdb.DuckDBPyConnection, scope: Scope) -> list[str]:
    """Return what the sheet ``gauge`` has of the days of a row, used or not; the newest cut off."""
    if scope.first is None or scope.last is None:
        return []
    named = scope.same.get("station")
    stations = [named] if named else instruments_of(con, scope, "station")
    # With an hour a reading is also of the day before the one that is written.
    rows = con.sql(
        """
        SELECT kind, place, read_day, rain_mm, read_at_h, over_d, notes FROM gauge
        WHERE read_day >= CAST($first AS DATE)
            AND read_day - CAST(coalesce(over_d, 1) AS INTEGER) + 1
                - CAST(read_at_h IS NOT NULL AS INTEGER) <= CAST($last AS DATE)
            AND (kind = 'station' AND place IN (SELECT unnest(CAST($stations AS VARCHAR[])))
                OR kind = 'field' AND (place = $field OR place IN (
                    SELECT field FROM station_spell
                    WHERE station IN (SELECT unnest(CAST($stations AS VARCHAR[])))
                        AND from_day <= $last AND coalesce(to_day >= $first, true)
                )))
        ORDER BY read_day, kind, place
        """,
        params={
            "first": scope.first,
            "last": scope.last,
            "stations": stations,
            "field": scope.same.get("field"),
        },
    ).fetchall()
    out = []
    for kind, place, day, rain, hour, over, notes in rows[:_MOST]:
        at = "" if hour is None else f" at {int(hour)}:{round(hour % 1 * 60):02d}"
        days = f", of {counted(over, 'day')}" if over and over > 1 else ""
        note = f" ({notes})" if notes else ""
        out.append(f"  {kind} {place}, {day}{at}: {rain:g} mm{days}{note}")
    return out + ([f"  and {len(rows) - _MOST} more"] if len(rows) > _MOST else [])
