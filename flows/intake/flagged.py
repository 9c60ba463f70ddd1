"""Values that their network flagged: kept in ``flagged_reading``, apart from the readings.

On its way a withheld value is not-a-number in its row, so that it supersedes an earlier value of
the same reading as any other would; what is stored has null there. Of two deliveries the later
stands: if it brings the value without that flag, the entry in ``flagged_reading`` goes.
"""

from __future__ import annotations

import duckdb
import polars as pl

from flows.intake.door.batch import NO_DEPTH, TABLE_OF
from flows.store import warehouse, wide_rows
from schemas import generated
from schemas.catalogue import TABLES
from schemas.quantities import Instrument, columns_of
from schemas.table import Table

FLAGGED = TABLES["flagged_reading"]
KEY = list(FLAGGED.key)


def without(rows: pl.DataFrame) -> pl.DataFrame:
    """Return rows with null for each withheld value, entries of lists included."""
    cells = pl.col(pl.Float64).fill_nan(None)
    lists = pl.col(pl.List(pl.Float64)).list.eval(pl.element().fill_nan(None))
    return rows.with_columns(cells, lists)


def marked(con: duckdb.DuckDBPyConnection, table: Table, stored: pl.DataFrame) -> pl.DataFrame:
    """Return stored readings with not-a-number for the values that are withheld."""
    known = _known(con, table, stored)
    if known.is_empty():
        return stored
    depth = pl.col("depth_cm") if "depth_cm" in table.key else pl.lit(NO_DEPTH)
    place = table.key[0]
    wide = known.with_columns(flagged=pl.lit(True)).pivot(
        "quantity_column", index=KEY[:3], values="flagged"
    )
    names = [name for name in wide.columns if name not in KEY]
    joined = stored.with_columns(depth.alias("__depth")).join(
        wide.rename({name: f"__{name}" for name in names}),
        left_on=[place, "__depth", "time"],
        right_on=KEY[:3],
        how="left",
        maintain_order="left",
    )
    return joined.with_columns(
        pl.when(f"__{name}").then(float("nan")).otherwise(name).alias(name) for name in names
    ).select(stored.columns)


def keep(
    con: duckdb.DuckDBPyConnection,
    kind: Instrument,
    new: pl.DataFrame,
    flags: pl.DataFrame,
    names: pl.DataFrame,
) -> None:
    """Bring ``flagged_reading`` up to what has landed, in the caller's transaction.

    ``new``: readings as they came through the door; ``flags``: their flagged values
    (``door.flags.FLAGGED``); ``names``: ``seq`` and ``delivery``.
    """
    table = TABLE_OF[kind]
    known = _known(con, table, new)
    if known.is_empty() and flags.is_empty():
        return
    wanted = pl.concat([known, flags.select(KEY)]).unique()
    last = (
        pl.concat([flags, _plain(new, wanted, table)], how="diagonal")
        .sort("seq", "line", maintain_order=True)
        .unique(KEY, keep="last")
    )
    matches = " AND ".join(f"f.{name} = l.{name}" for name in KEY)
    with warehouse.shown(con, last_said=last.select(KEY)):
        con.execute(f"DELETE FROM flagged_reading f USING last_said l WHERE {matches}")
    rows = last.filter(pl.col("flag").is_not_null()).join(names, on="seq", how="left")
    warehouse.append(con, FLAGGED, generated.conform(rows.drop("seq", "line"), FLAGGED))
    warehouse.changed(con)


def _known(con: duckdb.DuckDBPyConnection, table: Table, rows: pl.DataFrame) -> pl.DataFrame:
    """Return the keys of the flagged values of the rows' instruments, within their time."""
    place = table.key[0]
    side = "depth_cm >= 0" if "depth_cm" in table.key else "depth_cm < 0"
    columns = ", ".join(f"f.{name}" for name in KEY)
    spans = rows.group_by(place).agg(first=pl.col("time").min(), last=pl.col("time").max())
    with warehouse.shown(con, spans_said=spans):
        found: pl.DataFrame = con.sql(
            f"SELECT {columns} FROM flagged_reading f JOIN spans_said s "
            f"ON f.instrument = s.{generated.quoted(place)} AND f.time BETWEEN s.first AND s.last "
            f"WHERE {side}"
        ).pl()
    schema = {name: generated.polars_schema(FLAGGED)[name] for name in KEY}
    return found.cast(schema)  # type: ignore[arg-type]


def _plain(new: pl.DataFrame, wanted: pl.DataFrame, table: Table) -> pl.DataFrame:
    """Return which of the ``wanted`` values the new readings have without a flag."""
    single = wide_rows.single(new, table) if table.list_columns else new
    columns = set(wanted["quantity_column"].to_list())
    named = [c.name for c in columns_of(Instrument(table.key[0])) if c.name in columns]
    depth = pl.col("depth_cm") if "depth_cm" in table.key else pl.lit(NO_DEPTH)
    return (
        single.with_columns(depth.alias("depth_cm"), instrument=pl.col(table.key[0]))
        .join(wanted.select(KEY[:3]).unique(), on=KEY[:3], how="semi")
        .unpivot(
            on=[name for name in named if name in single.columns],
            index=["seq", "line", *KEY[:3]],
            variable_name="quantity_column",
        )
        .filter(pl.col("value").is_not_null() & pl.col("value").is_not_nan())
        .join(wanted, on=KEY, how="semi")
    )
