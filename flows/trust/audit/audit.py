"""Check everything published against its declarations and for internal consistency.

It reads the published copy, so it keeps no writer waiting, and opens the writer's database only to
write down the results. Memory is bounded: rows come in batches, of readings only the recent days
(older ones were checked in their own nights), and what spans tables or all rows is counted in SQL,
so that only a small frame of the counts is evaluated.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime
from pathlib import Path

import duckdb
import polars as pl

from flows.base.errors import Attention, UserError
from flows.base.plain_text import counted
from flows.base.progress import Tick, silent
from flows.farm.folder import FarmFolder
from flows.store import connection, published, query, warehouse
from flows.trust.audit import (
    archived,
    cross_checks,
    declared_limits,
    missing_results,
    page,
)
from flows.trust.audit.expectations import Evaluator, Result
from flows.trust.audit.outcome import Outcome, Severity, State
from schemas import generated
from schemas.catalogue import TABLES
from schemas.table import Table, Tier

RECENT_D = 14
BATCH_ROWS = 200_000
KEPT_AUDITS = 14
_LONGEST = 500
_SEVERITIES: dict[str, Severity] = {archived.AS_STORED: "warning"}


@dataclass(slots=True)
class Audited:
    """The result of an audit."""

    outcomes: list[Outcome]
    page: Path
    failed: list[Outcome] = field(default_factory=list)

    @property
    def notes(self) -> list[str]:
        """What failed, in plain words."""
        return [f"{o.table}: {o.said} ({o.unmet} of {o.looked}: {o.examples})" for o in self.failed]

    def __str__(self) -> str:
        """In a sentence."""
        held = sum(o.state == "held" for o in self.outcomes)
        unknown = sum(o.state == "not evaluated" for o in self.outcomes)
        return (
            f"{counted(held, 'expectation')} held, {len(self.failed)} did not, {unknown} had nothing to look "
            f"at. The page: {self.page}"
        )


def audit(folder: FarmFolder, tick: Tick = silent) -> Audited:
    """Check what is published, write the outcomes down, make the night's page.

    Raises UserError if nothing was published yet, Busy if another process writes, Attention if the
    published copy or the warehouse is damaged or missing.
    """
    copy = published.newest(folder)
    if copy is None and published.was_published(folder):
        raise Attention(
            f"The published copy in {folder.published} is missing. Make it again with: "
            f"checkstrip publish {folder.root}"
        )
    if copy is None:
        raise UserError(f"There is nothing to audit yet. Run first: checkstrip once {folder.root}")
    if not folder.warehouse_file.exists():
        raise Attention(
            f"The warehouse {folder.warehouse_file} is missing. Make it again from the archive with: "
            f"checkstrip rebuild {folder.root}"
        )
    published.must_be_as_written(folder, copy)
    began = datetime.now(UTC)
    with query.open_published(folder) as con:
        outcomes = _ranked([*evaluate(con, tick), *_check_files(folder, con, began, tick)])
        about = con.sql("SELECT farm FROM farm").fetchall()
    written = page.write(folder.audit, began, about[0][0] if about else "", outcomes)
    with warehouse.open_writer(folder, "writing down the audit") as con:
        _save(con, began, outcomes)
        connection.read_through(con)
    failed = [o for o in outcomes if o.state == "failed"]
    return Audited(outcomes, written, failed)


def evaluate(con: duckdb.DuckDBPyConnection, tick: Tick = silent) -> list[Outcome]:
    """Return every expectation's outcome, failures first, then by table."""
    evaluator = Evaluator()
    there = _columns(con)
    recent = _recent(con)
    outcomes: list[Outcome] = []
    for place, table in enumerate(TABLES.values()):
        tick(f"auditing {table.name}", place, len(TABLES) + 1)
        outcomes += _check_declared(con, evaluator, table, there.get(table.name, set()), recent)
    tick("holding tables against each other", len(TABLES), len(TABLES) + 1)
    outcomes += _check_counts(con, evaluator, recent)
    tick("audited", len(TABLES) + 1, len(TABLES) + 1)
    return _ranked(outcomes)


def _ranked(outcomes: list[Outcome]) -> list[Outcome]:
    rank = {"failed": 0, "held": 1, "not evaluated": 2}
    return sorted(
        outcomes, key=lambda o: (rank[o.state], o.severity, o.table, o.column, o.expectation)
    )


def _check_files(
    folder: FarmFolder, con: duckdb.DuckDBPyConnection, began: datetime, tick: Tick
) -> list[Outcome]:
    """Compare the archive with its receipts and backups with their lists, a share of them a night."""
    found = archived.results(folder, con, began, tick)
    return [
        _outcome("delivery", words, "", said, result, _SEVERITIES.get(words, "failure"))
        for words, (result, said) in found.items()
    ]


def _columns(con: duckdb.DuckDBPyConnection) -> dict[str, set[str]]:
    rows = con.sql("""
        SELECT table_name, list(column_name) FROM duckdb_columns()
        WHERE schema_name = 'main' GROUP BY 1
    """).fetchall()
    return {name: set(columns) for name, columns in rows}


def _recent(con: duckdb.DuckDBPyConnection) -> str:
    """The first instant of the recent readings, as an SQL literal; none is later than the latest."""
    tables = [generated.quoted(t.name) for t in TABLES.values() if t.tier is Tier.READING]
    newest = " UNION ALL ".join(f"SELECT max(time) AS time FROM {name}" for name in tables)
    ((since,),) = con.sql(f"""
        SELECT CAST(coalesce(max(time), now()) - INTERVAL {RECENT_D} DAY AS VARCHAR)
        FROM ({newest})
    """).fetchall()
    return f"TIMESTAMPTZ {generated.literal(since)}"


def _only_recent(table: Table, recent: str) -> str:
    """Return the WHERE that leaves only the recent rows of a table of readings."""
    return f"WHERE time >= {recent}" if table.tier is Tier.READING else ""


def _check_declared(
    con: duckdb.DuckDBPyConnection,
    evaluator: Evaluator,
    table: Table,
    there: set[str],
    recent: str,
) -> list[Outcome]:
    """Evaluate a table's columns; those of a column that is not there stay unevaluated."""
    every = declared_limits.expectations(table)
    expected = [one for one in every if one.column in there]
    totals = [Result() for _ in expected]
    if expected:
        for batch in _batches(con, table, list(dict.fromkeys(e.column for e in expected)), recent):
            for total, result in zip(totals, evaluator.evaluate(batch, expected), strict=True):
                total.add(result)
    by_place = dict(zip(map(id, expected), totals, strict=True))
    return [
        _outcome(table.name, one.words, one.column, one.said, by_place.get(id(one), Result()))
        for one in every
    ]


def _batches(
    con: duckdb.DuckDBPyConnection, table: Table, columns: list[str], recent: str
) -> Iterator[pl.DataFrame]:
    names = ", ".join(map(generated.quoted, columns))
    rows = f"SELECT {names} FROM {generated.quoted(table.name)} {_only_recent(table, recent)}"
    start = 0
    while True:
        batch = con.sql(f"{rows} LIMIT {BATCH_ROWS} OFFSET {start}").pl()
        if batch.is_empty():
            return
        yield batch
        start += BATCH_ROWS


def _check_counts(
    con: duckdb.DuckDBPyConnection, evaluator: Evaluator, recent: str
) -> list[Outcome]:
    """Evaluate what is counted in SQL: columns and types, single keys, tables against each other."""
    across = [*cross_checks.checks(), *missing_results.checks()]
    asked = [check.count(recent) for check in across]
    for table in TABLES.values():
        asked += declared_limits.counts(table, _only_recent(table, recent))
    counted = [_count(con, check.query) for check in asked]
    expected = [
        declared_limits.none_unmet(str(i)) for i, one in enumerate(counted) if not one.trouble
    ]
    frame = pl.DataFrame({one.column: [counted[int(one.column)].unmet] for one in expected})
    for one, result in zip(expected, evaluator.evaluate(frame, expected), strict=True):
        count = counted[int(one.column)]
        # The evaluator's word stands: it and the count must agree, or it is said.
        if result.trouble or bool(result.unmet) != bool(count.unmet):
            count.trouble = result.trouble or "the count and its judgement disagree"
    return [
        _outcome(check.table, check.words, "", check.said, count, check.severity)
        for check, count in zip(asked, counted, strict=True)
    ]


def _count(con: duckdb.DuckDBPyConnection, query: str) -> Result:
    try:
        ((looked, unmet, examples),) = con.sql(query).fetchall()
    except duckdb.Error as error:
        return Result(trouble=str(error).strip().splitlines()[0])
    return Result(int(looked), int(unmet), (str(examples),) if examples else ())


def _outcome(  # noqa: PLR0917
    table: str, words: str, column: str, said: str, found: Result, severity: Severity = "failure"
) -> Outcome:
    """Failed if rows do not meet it or it cannot be evaluated; not evaluated without rows."""
    state: State = "failed" if found.unmet else "held" if found.looked else "not evaluated"
    unmet: int | None = found.unmet
    sentences = {"failed": said, "not evaluated": "There were no rows to look at."}
    sentence = sentences.get(state)
    if found.trouble:
        state, unmet = "failed", None
        sentence = f"{said} It could not be checked: {found.trouble}."
    examples = "; ".join(found.examples)[:_LONGEST] or None
    return Outcome(table, words, column, state, severity, found.looked, unmet, examples, sentence)


def _save(con: duckdb.DuckDBPyConnection, began: datetime, outcomes: list[Outcome]) -> None:
    """Write the outcomes down; of old audits only what failed is kept."""
    table = TABLES["audit_result"]
    # The fields of an outcome are the table's columns, but for two that SQL would have to quote.
    rows = pl.DataFrame(list(map(asdict, outcomes)), infer_schema_length=None)
    rows = rows.rename({"table": "table_name", "column": "column_name"})
    rows = rows.with_columns(audited_at=pl.lit(began))
    with warehouse.transaction(con):
        warehouse.append(con, table, generated.conform(rows, table))
        con.execute(f"""
            DELETE FROM audit_result WHERE state <> 'failed' AND audited_at NOT IN (
                SELECT DISTINCT audited_at FROM audit_result
                ORDER BY audited_at DESC LIMIT {KEPT_AUDITS}
            )
        """)
