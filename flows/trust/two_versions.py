"""Days that two files of one source give differently: two observers, or a file that was corrected."""

from __future__ import annotations

import duckdb

from schemas.farm.layout import DAY_S

# The step of a record shows in the interval of its readings.
_DIFFERENT = f"""
    WITH twice AS (
        SELECT DISTINCT e.source, s.instrument, s.time, e.name AS earlier, l.name AS later
        FROM superseded_reading s
        JOIN delivery e ON e.delivery = s.delivery JOIN delivery l ON l.delivery = s.later_delivery
        WHERE e.source = l.source AND e.name <> l.name
    ), daily AS (
        SELECT station AS instrument, time FROM weather_reading WHERE interval_s >= {DAY_S}
        UNION SELECT probe, time FROM soil_reading WHERE interval_s >= {DAY_S}
    )
    SELECT source, instrument, count(DISTINCT time) AS days, min(time) AS first,
        arg_max(earlier, time) AS earlier, arg_max(later, time) AS later
    FROM twice SEMI JOIN daily USING (instrument, time)
    GROUP BY ALL ORDER BY source, instrument
"""


def sentences(con: duckdb.DuckDBPyConnection) -> list[tuple[str, str]]:
    """Return source and sentence for each instrument of a daily record with such days."""
    return [
        (
            source,
            f"{days:,} {'day' if days == 1 else 'days'} of {instrument} since {first:%Y-%m-%d} "
            f"{'has' if days == 1 else 'have'} other values in another file of the source {source} "
            f"(such as {earlier} and {later}). The later file stands, value by value. If two observers "
            "wrote them, give each observer a station and a source of its own in farm.toml.",
        )
        for source, instrument, days, first, earlier, later in con.execute(_DIFFERENT).fetchall()
    ]
