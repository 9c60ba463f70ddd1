"""The rows of a farm that its ``[share]`` lets out, as its published copy has them."""

from __future__ import annotations

import hashlib
import hmac
from typing import TYPE_CHECKING

import polars as pl

from schemas import generated
from schemas.network import HASHED, MONEY, PLAIN_STRIPS, SHARED, shared

if TYPE_CHECKING:
    import duckdb

DIGITS = 20  # of a hashed name


def hidden(secret: bytes, farm: str, name: str) -> str:
    """Return a name as the network sees it: HMAC-SHA-256 (RFC 2104) of farm and name, cut short.

    Whoever has no secret cannot try names; two farms' fields of the same name differ.
    """
    text = f"{farm}\n{name}".encode()
    return hmac.new(secret, text, hashlib.sha256).hexdigest()[:DIGITS]


def of_farm(
    con: duckdb.DuckDBPyConnection, farm: str, secret: bytes, *, money: bool
) -> dict[str, pl.DataFrame]:
    """Return the shared tables of a published copy by name, sorted by key; without money if not shared.

    ``farm`` is the farm's id. A table that the copy does not have yet is empty.
    """
    there = {
        name
        for (name,) in con.sql(
            "SELECT table_name FROM duckdb_tables() WHERE schema_name = 'main'"
        ).fetchall()
    }
    return {
        name: _table(con, name, farm, secret) if name in there else generated.empty(shared(name))
        for name in SHARED
        if money or name not in MONEY
    }


def _table(con: duckdb.DuckDBPyConnection, name: str, farm: str, secret: bytes) -> pl.DataFrame:
    table = shared(name)
    own = ", ".join(generated.quoted(c) for c in table.names if c != "farm")
    rows: pl.DataFrame = con.sql(f"SELECT {own} FROM {generated.quoted(name)}").pl()
    rows = rows.with_columns(
        _hashed(rows[column], farm, secret) for column in HASHED if column in rows.columns
    )
    return generated.conform(rows.with_columns(farm=pl.lit(farm)), table).sort(table.key)


def _hashed(names: pl.Series, farm: str, secret: bytes) -> pl.Series:
    strips = names.name in ("strip", "against")
    known = {
        name: name if strips and name in PLAIN_STRIPS else hidden(secret, farm, name)
        for name in names.unique().drop_nulls()
    }
    return names.replace_strict(known, return_dtype=pl.String)
