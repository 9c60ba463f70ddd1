"""The set-up as the field book that stands amends it: today's names, and spells cut by lifts."""

from __future__ import annotations

import duckdb

from flows.farm import lifts, renames
from flows.farm.instrument_names import folded
from flows.farm.renames import Renames
from flows.store.connection import records
from schemas.farm.farm import Farm
from schemas.shared_columns import SIDES


def amended(con: duckdb.DuckDBPyConnection, farm: Farm) -> Farm:
    """Return the farm under today's names, with the spells of lifted probes cut.

    ``con``: the warehouse or its published copy.
    """
    fields = [row["field"] for row in records(con, "FROM field ORDER BY field")]
    farm = renames.applied(farm, rules(con), fields)
    farm = renames.strips_spelled(farm, records(con, "FROM strip ORDER BY field, strip"))
    return lifts.cut(farm, records(con, "FROM lift ORDER BY ALL"))


def names(con: duckdb.DuckDBPyConnection) -> Renames:
    """Return the rules, and for fields with other strips than treated and check the book's own names.

    A name in a file then stands as the field book spells it, whatever its case.
    """
    own = records(
        con,
        "SELECT field, strip FROM strip WHERE field IN (SELECT field FROM strip WHERE NOT "
        "list_contains(?, strip)) ORDER BY field, strip",
        [list(SIDES)],
    )
    known = {
        **{("field", renames.ALL, folded(row["field"])): (row["field"],) * 2 for row in own},
        **{
            ("strip", folded(row["field"]), folded(row["strip"])): (row["strip"],) * 2
            for row in own
        },
    }
    return Renames({**known, **rules(con).rules})


def rules(con: duckdb.DuckDBPyConnection) -> Renames:
    """Return the former names that the field book lists; none in a copy of an older version."""
    table = "SELECT 1 FROM information_schema.tables WHERE table_name = 'renamed'"
    if not con.execute(table).fetchall():
        return Renames()
    return Renames.of(records(con, "FROM renamed ORDER BY ALL"))
