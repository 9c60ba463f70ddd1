"""Tried values that their own logger or network flags as suspect or frozen, by source."""

import duckdb

from flows.base.plain_text import counted
from schemas import generated
from schemas.catalogue import TABLES

LISTED = 4
_FLAGGED = """
    SELECT d.source, f.instrument, f.meaning, f.quantity_column, f.depth_cm, count(*) AS n,
        list(DISTINCT f.flag ORDER BY f.flag) AS flags
    FROM flagged_reading f LEFT JOIN delivery d USING (delivery)
    GROUP BY ALL ORDER BY d.source, f.instrument, f.meaning, f.depth_cm, f.quantity_column
"""
_USED = "SELECT count({column}) FROM {table} WHERE {place} = ? AND {depth}"


def sentences(con: duckdb.DuckDBPyConnection) -> list[tuple[str | None, str]]:
    """Return a sentence for each source, instrument and meaning: what is kept and not used."""
    out: dict[tuple[str | None, str, str], list[str]] = {}
    for source, instrument, meaning, column, depth, n, flags in con.sql(_FLAGGED).fetchall():
        used = _used(con, instrument, column, depth)
        at = "" if depth < 0 else f" at {depth:g} cm"
        by = ", ".join(flag or "no letter" for flag in flags[:LISTED])
        text = f"{n:,} of {counted(n + used, 'value')} of {column}{at} ({by})"
        out.setdefault((source, instrument, meaning), []).append(text)
    return [
        (
            source,
            f"flagged as {meaning} at {instrument} by its own network or logger, kept and not used: "
            + "; ".join(parts[:LISTED])
            + (f"; and {len(parts) - LISTED:,} more" if len(parts) > LISTED else ""),
        )
        for (source, instrument, meaning), parts in out.items()
    ]


def _used(con: duckdb.DuckDBPyConnection, instrument: str, column: str, depth: float) -> int:
    """Return how many values of the same kind are used."""
    table = TABLES["weather_reading" if depth < 0 else "soil_reading"]
    sql = _USED.format(
        column=generated.quoted(column),
        table=generated.quoted(table.name),
        place=generated.quoted(table.key[0]),
        depth="true" if depth < 0 else f"depth_cm = {depth!r}",
    )
    return int(con.execute(sql, [instrument]).fetchall()[0][0])
