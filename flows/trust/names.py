"""Names: what was renamed, and which names of files and of farm.toml nobody knows."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import duckdb

from flows.books.amended import rules

_MOST = 6
ADVICE = (
    "Did you rename it? Then list its old and its new name on the sheet renames of the field book."
)
STRIP_ADVICE = (
    "Correct its name there, or list the strip with its role on the sheet strips of the field book."
)
UNKNOWN = {"no such station": "station", "no such probe": "probe"}  # causes of rejections
_ORPHANS = """
    SELECT DISTINCT kind, instrument FROM delivery_instrument
    WHERE (kind, instrument) NOT IN (
        SELECT 'station', station FROM station_spell UNION ALL SELECT 'probe', probe FROM probe_spell
    ) ORDER BY ALL
"""
_OF_FILES = """
    SELECT cause, found FROM quarantine
    WHERE cause IN (SELECT unnest(CAST(? AS VARCHAR[]))) AND found IS NOT NULL
    GROUP BY cause, found ORDER BY count(*) DESC, cause, found
"""
_FIELDS = """
    SELECT field, list(DISTINCT instrument ORDER BY instrument) FROM (
        SELECT field, 'the station ' || station AS instrument FROM station_spell
        UNION ALL SELECT field, 'the probe ' || probe FROM probe_spell
    ) WHERE field NOT IN (SELECT field FROM field) AND EXISTS (FROM field)
    GROUP BY field ORDER BY field
"""


_STRIPS = """
    SELECT field, strip, "where", list(DISTINCT instrument ORDER BY instrument) FROM (
        SELECT field, strip, 'farm.toml places' AS "where", 'the station ' || station AS instrument
        FROM station_spell
        UNION ALL SELECT field, strip, 'farm.toml places', 'the probe ' || probe FROM probe_spell
        UNION ALL SELECT field, strip, 'yieldmaps/ has', 'an outline' FROM strip_outline
    ) JOIN field USING (field) WHERE strip IS NOT NULL AND (field, strip) NOT IN (
        SELECT field, strip FROM comparison UNION SELECT field, against FROM comparison
    ) AND EXISTS (FROM comparison)
    GROUP BY field, strip, "where" ORDER BY field, strip, "where"
"""


def renamed(con: duckdb.DuckDBPyConnection) -> list[str]:
    """Return what the field book renames, as 'station north, today west'."""
    rows = con.sql(
        "SELECT kind, old_name, field, new_name FROM renamed ORDER BY kind, new_name, old_name, field"
    ).fetchall()
    return [
        f"{kind} {old}{'' if field == 'all' else f' of {field}'}, today {new}"
        for kind, old, field, new in rows
    ]


def of(con: duckdb.DuckDBPyConnection, names: Iterable[tuple[str, str]]) -> list[str]:
    """Return the former names of things given by kind and name, a sentence each."""
    out: list[str] = []
    for kind, name in names if rules(con).rules else ():
        rows: list[Any] = con.sql(
            """
            SELECT old_name, field FROM renamed WHERE kind = ? AND new_name = ?
            ORDER BY ALL
            """,
            params=[kind, name],
        ).fetchall()
        out += [
            f"The {kind} {name} was called {old}{'' if field == 'all' else f' on {field}'}: what came "
            "under that name counts here."
            for old, field in rows
        ]
    return out


def orphans(con: duckdb.DuckDBPyConnection) -> list[str]:
    """Return a sentence for each instrument with readings that farm.toml does not have."""
    return [
        f"There are readings of the {kind} {name}, which farm.toml does not have. {ADVICE}"
        for kind, name in con.sql(_ORPHANS).fetchall()
    ]


def of_files(con: duckdb.DuckDBPyConnection) -> list[str]:
    """Return a sentence for each kind of instrument that files name and farm.toml does not have."""
    rows = con.sql(_OF_FILES, params=[list(UNKNOWN)]).fetchall()
    out = []
    for cause, kind in UNKNOWN.items():
        words = [word for which, word in rows if which == cause]
        if words:
            some = ", ".join(words[:_MOST])
            more = f" and {len(words) - _MOST:,} more" if len(words) > _MOST else ""
            what = f"a {kind}" if len(words) == 1 else f"{kind}s"
            out.append(f"Files name {what} that farm.toml does not have: {some}{more}. {ADVICE}")
    return out


def fields(con: duckdb.DuckDBPyConnection) -> list[str]:
    """Return a sentence for each field of farm.toml that is not on the sheet fields."""
    return [
        f"farm.toml places {_some(instruments)} on the field {field}, which the field book does not "
        f"have. {ADVICE}"
        for field, instruments in con.sql(_FIELDS).fetchall()
    ]


def strips(con: duckdb.DuckDBPyConnection) -> list[str]:
    """Return a sentence for each strip of farm.toml or a map that is compared with no other of its field."""
    return [
        f"{where} {_some(instruments)} in the strip {strip} of {field}, which the field book "
        f"compares with no other strip. {STRIP_ADVICE}"
        for field, strip, where, instruments in con.sql(_STRIPS).fetchall()
    ]


def _some(words: list[str]) -> str:
    more = len(words) - _MOST
    return ", ".join(words[:_MOST]) + (f" and {more:,} more" if more > 0 else "")
