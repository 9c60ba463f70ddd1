"""The audit: everything published held to its declarations and to itself.

It reads the published copy, so it keeps no writer waiting, and opens the writer's database only to
write down the results. Memory is bounded: rows come in batches, of readings only the recent days
(older ones were looked at in their own nights), and what spans tables or all rows is counted in
SQL, where a small frame of the counts is judged.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

import duckdb
import polars as pl

from flows.base.errors import UserError
from flows.base.progress import Tick, silent
from flows.farm.folder import FarmFolder
from flows.store import publish, warehouse
from flows.trust.audit import cross_checks, declared_limits, page
from flows.trust.audit.declared_limits import Expected
from flows.trust.audit.expectations import Judge, Verdict
from flows.trust.audit.outcome import Outcome, Severity, State
from schemas import generated
from schemas.catalogue import TABLES
from schemas.table import Table, Tier

RECENT_D = 14
BATCH_ROWS = 200_000
KEPT_AUDITS = 14
_LONGEST = 500


@dataclass(slots=True)
class Audited:
    """What an audit came to."""

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
            f"{held} expectations held, {len(self.failed)} did not, {unknown} had nothing to look "
            f"at. The page: {self.page}"
        )


def audit(folder: FarmFolder, tick: Tick = silent) -> Audited:
    """Judge what is published, write it down, make the night's page.

    Raises UserError where nothing was published yet, Busy where another process writes.
    """
    copy = publish.newest(folder)
    if copy is None:
        raise UserError(f"There is nothing to audit yet. Run first: checkstrip once {folder.root}")
    began = datetime.now(UTC)
    with warehouse.open_reader(copy) as con:
        outcomes = judged(con, tick)
        about = con.sql("SELECT farm FROM farm").fetchall()
    written = page.write(folder.audit, began, about[0][0] if about else "", outcomes)
    with warehouse.open_writer(folder, "writing down the audit") as con:
        _keep(con, began, outcomes)
    failed = [o for o in outcomes if o.state == "failed"]
    return Audited(outcomes, written, failed)


def judged(con: duckdb.DuckDBPyConnection, tick: Tick = silent) -> list[Outcome]:
    """Every expectation's outcome, failures first, then by table."""
    judge = Judge()
    there = _columns(con)
    recent = _recent(con)
    outcomes: list[Outcome] = []
    for place, table in enumerate(TABLES.values()):
        tick(f"auditing {table.name}", place, len(TABLES) + 1)
        outcomes += _declared(con, judge, table, there.get(table.name, set()), recent)
    tick("holding tables against each other", len(TABLES), len(TABLES) + 1)
    outcomes += _figures(con, judge, recent)
    tick("audited", len(TABLES) + 1, len(TABLES) + 1)
    rank = {"failed": 0, "held": 1, "not evaluated": 2}
    return sorted(
        outcomes, key=lambda o: (rank[o.state], o.severity, o.table, o.column, o.expectation)
    )


def _columns(con: duckdb.DuckDBPyConnection) -> dict[str, set[str]]:
    rows = con.sql(
        "SELECT table_name, list(column_name) FROM duckdb_columns() WHERE schema_name = 'main' GROUP BY 1"
    ).fetchall()
    return {name: set(columns) for name, columns in rows}


def _recent(con: duckdb.DuckDBPyConnection) -> str:
    """The first instant of the recent readings, as an SQL literal; none is later than the latest."""
    tables = [generated.quoted(t.name) for t in TABLES.values() if t.tier is Tier.READING]
    newest = " UNION ALL ".join(f"SELECT max(time) AS time FROM {name}" for name in tables)
    ((since,),) = con.sql(
        f"SELECT CAST(coalesce(max(time), now()) - INTERVAL {RECENT_D} DAY AS VARCHAR) FROM ({newest})"
    ).fetchall()
    return f"TIMESTAMPTZ {generated.literal(since)}"


def _where(table: Table, recent: str) -> str:
    return f"WHERE time >= {recent}" if table.tier is Tier.READING else ""


def _declared(
    con: duckdb.DuckDBPyConnection, judge: Judge, table: Table, there: set[str], recent: str
) -> list[Outcome]:
    """The expectations of a table's columns; those of a column that is not there stay unevaluated."""
    every = declared_limits.expectations(table)
    expected = [one for one in every if one.column in there]
    total = [Verdict() for _ in expected]
    if expected:
        for batch in _batches(con, table, list(dict.fromkeys(e.column for e in expected)), recent):
            for sum_, verdict in zip(total, judge.judge(batch, expected), strict=True):
                sum_.add(verdict)
    by_place = dict(zip(map(id, expected), total, strict=True))
    return [
        _outcome(table.name, one.words, one.column, one.said, by_place.get(id(one), Verdict()))
        for one in every
    ]


def _batches(
    con: duckdb.DuckDBPyConnection, table: Table, columns: list[str], recent: str
) -> Iterator[pl.DataFrame]:
    names = ", ".join(map(generated.quoted, columns))
    rows = f"SELECT {names} FROM {generated.quoted(table.name)} {_where(table, recent)}"
    start = 0
    while True:
        batch = con.sql(f"{rows} LIMIT {BATCH_ROWS} OFFSET {start}").pl()
        if batch.is_empty():
            return
        yield batch
        start += BATCH_ROWS


def _figures(con: duckdb.DuckDBPyConnection, judge: Judge, recent: str) -> list[Outcome]:
    """What is counted in SQL: columns and their types, single keys, tables against each other."""
    asked: list[tuple[str, str, str, str, Severity]] = []
    for table in TABLES.values():
        asked.append((table.name, "has the declared columns and types", f"{table.name} is not as declared; whoever asks it may get an error or a wrong answer.", declared_limits.types_sql(table), "failure"))  # fmt: skip
        if table.key:
            asked.append((table.name, "has each key once", f"{table.name} holds the same {', '.join(table.key)} twice; every sum with it counts double.", declared_limits.unique_sql(table, _where(table, recent)), "failure"))  # fmt: skip
    asked += [(a.table, a.words, a.said, a.query, a.severity) for a in cross_checks.checks()]
    counted = [_count(con, query.replace("{recent}", recent)) for *_, query, _ in asked]
    expected = [
        Expected(str(i), "", "ExpectColumnValuesToBeBetween", {"column": str(i), "min_value": 0, "max_value": 0}, "")
        for i, count in enumerate(counted)
        if not count.trouble
    ]  # fmt: skip
    frame = pl.DataFrame({one.column: [counted[int(one.column)].unmet] for one in expected})
    for one, verdict in zip(expected, judge.judge(frame, expected), strict=True):
        count = counted[int(one.column)]
        # The judge's word stands: it and the count must agree, or it is said.
        if verdict.trouble or bool(verdict.unmet) != bool(count.unmet):
            count.trouble = verdict.trouble or "the count and its judgement disagree"
    return [
        _outcome(table, words, "", said, count, severity)
        for (table, words, said, _, severity), count in zip(asked, counted, strict=True)
    ]


def _count(con: duckdb.DuckDBPyConnection, query: str) -> Verdict:
    try:
        ((looked, unmet, examples),) = con.sql(query).fetchall()
    except duckdb.Error as error:
        return Verdict(trouble=str(error).strip().splitlines()[0])
    return Verdict(int(looked), int(unmet), (str(examples),) if examples else ())


def _outcome(  # noqa: PLR0917
    table: str, words: str, column: str, said: str, found: Verdict, severity: Severity = "failure"
) -> Outcome:
    """Failed where rows do not meet it or it cannot be judged; not evaluated without rows."""
    state: State = "failed" if found.unmet else "held" if found.looked else "not evaluated"
    unmet: int | None = found.unmet
    told: str | None = {"failed": said, "not evaluated": "There were no rows to look at."}.get(
        state
    )
    if found.trouble:
        state, unmet = "failed", None
        told = f"{said} It could not be checked: {found.trouble}."
    examples = "; ".join(found.examples)[:_LONGEST] or None
    return Outcome(table, words, column, state, severity, found.looked, unmet, examples, told)


def _keep(con: duckdb.DuckDBPyConnection, began: datetime, outcomes: list[Outcome]) -> None:
    """Write the outcomes down; of old audits only what failed is kept."""
    table = TABLES["audit_result"]
    rows = [
        {"audited_at": began, "table_name": o.table, "expectation": o.expectation, "column_name": o.column,
         "state": o.state, "severity": o.severity, "looked": o.looked, "unmet": o.unmet,
         "examples": o.examples, "said": o.said}
        for o in outcomes
    ]  # fmt: skip
    with warehouse.transaction(con):
        warehouse.append(con, table, pl.DataFrame(rows, schema=generated.polars_schema(table)))
        con.execute(
            "DELETE FROM audit_result WHERE state <> 'failed' AND audited_at NOT IN "
            "(SELECT DISTINCT audited_at FROM audit_result ORDER BY audited_at DESC "
            f"LIMIT {KEPT_AUDITS})"
        )
