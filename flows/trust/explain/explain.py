"""Explain where a row came from, as plain text: its inputs, its method, the files behind it."""

from __future__ import annotations

from math import floor

import duckdb

from flows.base.plain_text import counted
from flows.derive import making
from flows.store import dictionary
from flows.trust import names
from flows.trust.explain import files_behind, read_by_hand, row, scope
from flows.trust.explain.file_lines import FileLines
from flows.trust.explain.row import Row
from flows.trust.explain.scope import Scope
from schemas import generated
from schemas.table import Column, Table, Tier
from transforms import order

_MOST_REASONS = 3
# Tables of the field book: what people wrote down.
BOOKS = {
    *("season", "operation", "harvest_pass", "field", "strip", "price", "cost", "penetrometer"),
    "irrigation",
    "gauge",
    "observation",
}


def explain(
    con: duckdb.DuckDBPyConnection, name: str, key: list[str], archive: FileLines | None = None
) -> str:
    """Return the row, its coverage, its method, its inputs, its files, what was left out.

    ``key`` is what ``row.find`` takes. Raises UserError if there is no such table or row.
    """
    table = dictionary.find(name)
    found = row.find(con, table, key)
    about = scope.of(con, found, table)
    made_from = _tree(table)
    readings = [t for t in (table, *made_from) if t.tier is Tier.READING]
    parts = [_row(table, found), _coverage(found), method_text(table)]
    if made_from:
        parts.append(_inputs(con, table, made_from, about))
    behind = files_behind.lines(con, about, readings, archive) if readings else []
    if any(t.name in BOOKS for t in (table, *made_from)):
        behind += files_behind.entered(con)
    if behind:
        parts.append("\n".join(["Files behind it:", *behind]))
    if former := names.of(con, files_behind.things(con, about)):
        parts.append(
            "\n".join(["Renamed, by the field book's sheet renames:", *(f"  {s}" for s in former)])
        )
    if readings and (not_used := files_behind.not_used(con, about)):
        parts.append("\n".join(["Not used, by the field book's sheet 'do not use':", *not_used]))
    if any(t.name == "gauge" for t in made_from) and (by_hand := read_by_hand.lines(con, about)):
        parts.append(
            "\n".join(["Rain read by hand, from the field book's sheet 'gauge':", *by_hand])
        )
    return "\n\n".join(part for part in parts if part)


def _row(table: Table, found: Row) -> str:
    width = max(map(len, table.names))
    shown = [
        f"  {c.name:<{width}}  {_value(found[c.name], c)}"
        for c in table.columns
        if found[c.name] is not None and c.name not in ("partial", "reason", "coverage")
    ]
    empty = [c.name for c in table.columns if found[c.name] is None and c.name != "reason"]
    lines = [f"{table.name}: one row is {table.row}.", *shown]
    return "\n".join([*lines, *([f"  empty: {', '.join(empty)}"] if empty else [])])


def _value(value: object, column: Column) -> str:
    shown = f"{value:.6g}" if isinstance(value, float) else str(value)
    return f"{shown} {column.unit}" if column.unit not in ("", "1") else shown


def _coverage(found: Row) -> str:
    sentences = []
    if found.get("coverage") is not None:
        share = floor(1000 * found["coverage"] + 1e-9) / 10  # a part is not rounded to the whole
        sentences.append(f"Coverage: {share:.1f} % of the data that should be there.")
    if found.get("partial"):
        reason = found.get("reason") or "no reason is given"
        sentences.append(f"Made from part of the data: {reason}.")
    elif found.get("reason"):
        sentences.append(f"Note: {found['reason']}.")
    return "\n".join(sentences)


def method_text(table: Table) -> str:
    """Return the docstrings of the module that makes it: method, limits and sources."""
    if not _is_made(table):
        return ""
    module = making.module(table.name)
    texts = [(module.__doc__ or "").strip(), (module.derive.__doc__ or "").strip()]
    lines = "\n\n".join(filter(None, texts)).splitlines()
    return "\n".join(["Method:", *(f"  {line.strip()}".rstrip() for line in lines)])


def _is_made(table: Table) -> bool:
    return table.name in (*order.DAILY, *order.DERIVED)


def _tree(table: Table) -> list[Table]:
    """Return all tables that a table is made from, the near ones first, each once."""
    seen: list[Table] = []
    waiting = [table]
    while waiting:
        one = waiting.pop(0)
        for source in making.sources(one.name) if _is_made(one) else ():
            if source not in seen:
                seen.append(source)
                waiting.append(source)
    return seen


def _inputs(
    con: duckdb.DuckDBPyConnection, table: Table, made_from: list[Table], about: Scope
) -> str:
    near = {source.name for source in making.sources(table.name)}
    out = ["Made from (rows of the same thing and days; a method may look at days around them):"]
    out += [
        _input(con, source, about, "" if source.name in near else ", by way of the others")
        for source in made_from
        if source.tier in (Tier.DAILY, Tier.DERIVED)
    ]
    setup = [s for s in made_from if s.tier in (Tier.SETUP, Tier.RECEIPT)]
    if setup:
        out.append("  and from what was set up, entered or received:")
        out += [f"  {_input(con, source, about, '')}" for source in setup]
    return "\n".join(out)


def _input(con: duckdb.DuckDBPyConnection, source: Table, about: Scope, way: str) -> str:
    where, values = about.where(source)
    partial = "count(*) FILTER (partial)" if "partial" in source.names else "NULL"
    from_rows = f"FROM {generated.quoted(source.name)} WHERE {where}"
    ((n, parts),) = con.sql(f"SELECT count(*), {partial} {from_rows}", params=values).fetchall()
    line = f"  {source.name}{way}: {counted(n, 'row')}"
    if parts:
        line += f", {parts:,} of them partial"
    if not n or "reason" not in source.names:
        return line
    reasons = con.sql(
        f"""
        SELECT reason, count(*) {from_rows} AND reason IS NOT NULL
        GROUP BY 1 ORDER BY 2 DESC, 1 LIMIT {_MOST_REASONS}
        """,
        params=values,
    ).fetchall()
    return "\n".join([line, *(f"    {count:,} because: {reason}" for reason, count in reasons)])
