"""Short cells for wide tables of a site-year: a value with its interval, the lead, what is partial."""

from collections.abc import Iterable

import polars as pl

from flows.pages.cells import Line, Phrase, Row, cell, joined, say, say_row
from flows.pages.published_tables import Tables

UNKNOWN: Phrase = ("–",)


def between(table: str, row: Row | None, value: str, low: str, high: str) -> Phrase:
    """Return a signed value with its interval, its unit said once; a dash if it is not known."""
    if row is None or row[value] is None:
        return UNKNOWN
    bounds = f" ({{{low}:+bare}} to {{{high}:+bare}})" if None not in {row[low], row[high]} else ""
    return say_row(table, row, f"{{{value}:+}}{bounds}")


def value(table: str, row: Row | None, column: str, *, signed: bool = False) -> Phrase:
    """Return the cell of a column; a dash if there is none."""
    if row is None or row[column] is None:
        return UNKNOWN
    return (cell(table, row, column, signed=signed),)


def response(row: Row | None) -> Phrase:
    """Return the response of a site-year with its interval and verdict."""
    if row is None:
        return UNKNOWN
    ends = ("response_low_kg_ha", "response_high_kg_ha")
    found = between("response", row, "response_kg_ha", *ends)
    return found if found == UNKNOWN else (*found, *say_row("response", row, ", {verdict}"))


def lead(tables: Tables, field: str, season: int) -> Row | None:
    """Return the lead at the deepest depth that both strips' roots are known to have reached."""
    rows = tables("root_lead", field=field, season=season).drop_nulls("lead_d")
    return rows.sort("depth_cm").to_dicts()[-1] if rows.height else None


def lead_at(row: Row | None) -> Phrase:
    """Return a lead with its interval and depth."""
    found = between("root_lead", row, "lead_d", "lead_low_d", "lead_high_d")
    if row is None or found == UNKNOWN:
        return UNKNOWN
    return (*found, *say_row("root_lead", row, " at {depth_cm}"))


def partial_notes(known: Iterable[tuple[str, Row | None]], start: str = "") -> list[Line]:
    """Say why rows are partial: each reason once, with the fields (or groups) that it is of.

    ``start`` begins the first note, for a table that does not say itself that they are partial.
    """
    named: dict[str, dict[str, Phrase]] = {}
    why: dict[str, Phrase] = {}
    for table, row in known:
        if row is None or not row["partial"] or not row["reason"]:
            continue
        who = "field" if "field" in row else "member"
        why.setdefault(row["reason"], (cell(table, row, "reason"),))
        named.setdefault(row["reason"], {})[row[who]] = (cell(table, row, who),)
    return [
        Line(
            say(
                ("" if number else start) + "{names}: {why}.",
                names=joined(list(names.values())),
                why=why[text],
            )
        )
        for number, (text, names) in enumerate(named.items())
    ]


def sides(frame: pl.DataFrame) -> dict[str, Row]:
    """Return the rows of a frame by strip."""
    return {row["strip"]: row for row in frame.to_dicts()}
