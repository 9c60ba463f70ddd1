"""A file that came again under its name, but not as a longer one: what it no longer says.

A value that was blanked, or whose row was removed, is kept; how many there are is noted on the
delivery.
"""

from collections.abc import Iterable

import duckdb
import polars as pl

from flows.intake.door.batch import TABLE_OF, UNCOUNTED
from flows.store import warehouse, wide_rows
from schemas.quantities import Instrument, columns_of

EARLIER = pl.Schema({"seq": pl.Int64(), "delivery": pl.String()})


def earlier_deliveries(
    con: duckdb.DuckDBPyConnection, arrived: Iterable[tuple[int, str, str]]
) -> pl.DataFrame:
    """Return the landed deliveries (``seq``, ``delivery``) of files that came before under a name.

    ``arrived``: sequence, source and name of the files that are landing.
    """
    schema = {"seq": pl.Int64, "source": pl.String, "name": pl.String}
    frame = pl.DataFrame(list(arrived), schema=schema, orient="row")
    if frame.is_empty():
        return pl.DataFrame(schema=EARLIER)
    with warehouse.shown(con, arrived=frame):
        query = "SELECT a.seq, d.delivery FROM delivery d JOIN arrived a USING (source, name)"
        found: pl.DataFrame = con.sql(f"{query} WHERE d.sequence < a.seq").pl()
    return found


def count_gone(
    con: duckdb.DuckDBPyConnection, kind: Instrument, new: pl.DataFrame, earlier: pl.DataFrame
) -> pl.DataFrame:
    """Count the stored values of ``earlier`` deliveries that ``new`` readings no longer have.

    Only within the time that the new file covers, series by series. Returns ``seq`` and ``gone``.
    """
    table = TABLE_OF[kind]
    place, series = table.key[0], [key for key in table.key if key != "time"]
    again = new.join(earlier.select("seq").unique(), on="seq", how="semi")
    spans = again.group_by("seq", place).agg(first=pl.col("time").min(), last=pl.col("time").max())
    with warehouse.shown(con, earlier=earlier, new_spans=spans):
        stored = con.sql(
            f"""
            SELECT t.*, s.seq FROM {table.name} t
            JOIN earlier e ON t.delivery = e.delivery
            JOIN new_spans s ON s.seq = e.seq AND s.{place} = t.{place}
                AND t.time BETWEEN s.first AND s.last
            """
        ).pl()
    now, before = (_values(frame, kind) for frame in (_entries(again, kind), stored))
    reach = now.group_by("seq", *series, "column").agg(
        first=pl.col("time").min(), last=pl.col("time").max()
    )
    return (
        before.join(now, on=["seq", *table.key, "column"], how="anti")
        .join(reach, on=["seq", *series, "column"])
        .filter(pl.col("time").is_between("first", "last"))
        .group_by("seq")
        .agg(gone=pl.len())
    )


def _entries(rows: pl.DataFrame, kind: Instrument) -> pl.DataFrame:
    table = TABLE_OF[kind]
    return wide_rows.single(rows, table) if table.list_columns else rows


def _values(rows: pl.DataFrame, kind: Instrument) -> pl.DataFrame:
    """Return one row a value: ``seq``, the table's key and the name of the ``column``."""
    named = [c.name for c in columns_of(kind) if c.name in rows.columns and c.name not in UNCOUNTED]
    return (
        rows.unpivot(on=named, index=["seq", *TABLE_OF[kind].key], variable_name="column")
        .drop_nulls("value")
        .drop("value")
    )
