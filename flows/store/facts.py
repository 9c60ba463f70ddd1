"""What the warehouse stores about itself (``about``): one text by name."""

import duckdb


def fact(con: duckdb.DuckDBPyConnection, name: str) -> str | None:
    """Return a fact that the warehouse stores about itself, None if it does not have it."""
    rows = con.execute("SELECT value FROM about WHERE fact = ?", [name]).fetchall()
    return rows[0][0] if rows else None


def set_fact(con: duckdb.DuckDBPyConnection, name: str, value: str | None) -> None:
    """Store a fact about the warehouse; None forgets it."""
    con.execute("DELETE FROM about WHERE fact = ?", [name])
    if value is not None:
        con.execute("INSERT INTO about (fact, value) VALUES (?, ?)", [name, value])


def counted_up(con: duckdb.DuckDBPyConnection, name: str) -> None:
    """Add one to a fact that is a number; one that is not there counts as 0."""
    up = "UPDATE about SET value = value::BIGINT + 1 WHERE fact = ?"
    if con.execute(up, [name]).fetchall() == [(0,)]:
        set_fact(con, name, "1")
