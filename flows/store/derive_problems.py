"""Read what the last derive left out or could not make (``derive_problem``), in sentences too."""

import duckdb

# The reason of a table that waits for another one.
MADE_FROM = "it is made from "
_NOT_MADE = """
    SELECT table_name, reason FROM derive_problem WHERE lost = 'table' ORDER BY table_name
"""
_LEFT_OUT = """
    SELECT table_name, column_name, lost, count(*), min(reason) FROM derive_problem
    WHERE lost <> 'table' GROUP BY ALL ORDER BY ALL
"""


def not_made(con: duckdb.DuckDBPyConnection) -> dict[str, str]:
    """Return the tables that hold the rows of an earlier run, or none, and why; by name."""
    return dict(con.sql(_NOT_MADE).fetchall())


def sentences(con: duckdb.DuckDBPyConnection) -> list[str]:
    """Return a sentence for each table that failed, and for each column with values left out."""
    tables = not_made(con)
    out = [
        f"The table {table} could not be made: {reason}. It keeps the rows of the last good run, if "
        "there was one. The readings are safe; state/logs/checkstrip.log has the details."
        for table, reason in tables.items()
        if not reason.startswith(MADE_FROM)
    ]
    if waiting := [table for table, reason in tables.items() if reason.startswith(MADE_FROM)]:
        out.append(f"Made from such a table, and left as they were: {', '.join(waiting)}.")
    return out + [
        f"{number:,} {lost}{'s' if number > 1 else ''} of {table}{f'.{column}' if column else ''} "
        f"left out ({reason}). The table derive_problem lists each one."
        for table, column, lost, number, reason in con.sql(_LEFT_OUT).fetchall()
    ]
