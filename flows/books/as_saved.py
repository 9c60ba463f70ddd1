"""What is wrong with the books as saved last: a sentence each."""

import duckdb

from flows.base.plain_text import counted

NAMES = {"fieldbook": "field book", "yieldmaps": "yield maps", "normals": "table of normals"}
IMAGES = "images"
LISTED = NAMES | {IMAGES: "vegetation images"}


def attention(con: duckdb.DuckDBPyConnection) -> list[str]:
    """Return what is wrong with the books as saved last, until somebody saves better ones.

    A sentence for each book that cannot be read or of which something was rejected, and one for
    passes that no yield can be computed from. ``con``: the warehouse or its published copy.
    """
    unread = con.sql("""
        SELECT source, reason FROM (
            SELECT source, state, reason FROM delivery
            QUALIFY row_number() OVER (PARTITION BY source ORDER BY sequence DESC) = 1
        ) WHERE state = 'refused' ORDER BY source
    """).fetchall()
    rejected = con.sql("""
        SELECT book, count(*) FROM book_problem WHERE lost <> 'none' GROUP BY book ORDER BY book
    """).fetchall()
    ((passes,),) = con.sql(
        "SELECT count(*) FROM harvest_pass ANTI JOIN season USING (field, season)"
    ).fetchall()
    ((weighed,),) = con.sql("SELECT count(*) FROM harvest_pass").fetchall()
    found = [
        f"The {NAMES[book]} as saved last cannot be read: {reason} The version before stands."
        for book, reason in unread
        if book in NAMES
    ]
    found += [
        counted(number, "entry")
        + f" of the {LISTED[book]} {'was' if number == 1 else 'were'} rejected"
        + (", no yield landed. " if book == "fieldbook" and not weighed else ". ")
        + "The table book_problem lists each one."
        for book, number in rejected
    ]
    if passes:
        found.append(
            f"No yield is computed from {counted(passes, 'pass')} of the field book: their field and season "
            "are not on its sheet seasons."
        )
    return found
