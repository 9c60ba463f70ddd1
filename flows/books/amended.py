"""The set-up as the field book that stands amends it: today's names, and spells cut by lifts."""

from __future__ import annotations

import duckdb
import polars as pl

from flows.farm import lifts, renames
from flows.farm.instrument_names import folded
from flows.farm.renames import Renames
from flows.store import warehouse
from schemas.catalogue import TABLES
from schemas.farm.farm import Farm
from schemas.shared_columns import SIDES


def amended(con: duckdb.DuckDBPyConnection, farm: Farm) -> Farm:
    """Return the farm under today's names, with the spells of lifted probes cut.

    ``con``: the warehouse or its published copy.
    """
    fields = warehouse.read(con, TABLES["field"])["field"].to_list()
    farm = renames.applied(farm, rules(con), fields)
    farm = renames.strips_spelled(farm, warehouse.read(con, TABLES["strip"]).iter_rows(named=True))
    return lifts.cut(farm, warehouse.read(con, TABLES["lift"]))


def names(con: duckdb.DuckDBPyConnection) -> Renames:
    """Return the rules, and for fields with other strips than treated and check the book's own names.

    A name in a file then stands as the field book spells it, whatever its case.
    """
    strips = warehouse.read(con, TABLES["strip"])
    other = ~pl.col("strip").is_in(SIDES)
    own = strips.filter(other.any().over("field")).select("field", "strip")
    known = {
        **{("field", renames.ALL, folded(name)): (name, name) for name in own["field"]},
        **{("strip", folded(name), folded(strip)): (strip, strip) for name, strip in own.rows()},
    }
    return Renames({**known, **rules(con).rules})


def rules(con: duckdb.DuckDBPyConnection) -> Renames:
    """Return the former names that the field book lists; none in a copy of an older version."""
    table = "SELECT 1 FROM information_schema.tables WHERE table_name = 'renamed'"
    if not con.execute(table).fetchall():
        return Renames()
    return Renames.of(warehouse.read(con, TABLES["renamed"]).iter_rows(named=True))
