"""Evaluate expectations over a published copy, in batches and counts, so that memory is bounded.

Of readings only the recent days are looked at (older ones were checked in their own nights). What
spans tables or all rows is counted in SQL, so that only a small frame of the counts is evaluated.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import cached_property

import duckdb
import polars as pl

from flows.base.progress import Tick, silent
from flows.trust.audit import cross_checks, declared_limits, missing_results
from flows.trust.audit.carried import Carried, Part
from flows.trust.audit.declared_limits import Expected
from flows.trust.audit.expectations import Evaluator, Result
from flows.trust.audit.outcome import CountCheck, Outcome, Severity, State
from schemas import generated
from schemas.catalogue import TABLES
from schemas.table import Tier

RECENT_D = 14
BATCH_ROWS = 200_000
_LONGEST = 500


def evaluate(
    con: duckdb.DuckDBPyConnection, carried: Carried, tick: Tick = silent
) -> list[Outcome]:
    """Return every expectation's outcome: carried where nothing changed, else of a new look."""
    looking = _Looking(con)
    tick("comparing with the last audit", 0, 1)
    outcomes, due = carried.split(con, looking.parts(), looking.only_recent)
    counts = list[tuple[Part, CountCheck]]()
    for place, part in enumerate(due):
        tick(f"auditing {part.name}", place, len(due) + 1)
        if isinstance(part.asked, CountCheck):
            counts.append((part, part.asked))
        else:
            outcomes += carried.looked(part, looking.columns(part.name, part.asked))
    tick("holding tables against each other", len(due), len(due) + 1)
    for (part, _), outcome in zip(counts, looking.counts([c for _, c in counts]), strict=True):
        outcomes += carried.looked(part, [outcome])
    tick("audited", len(due) + 1, len(due) + 1)
    return outcomes


class _Looking:
    """One look at a published copy; Great Expectations is loaded if there is something to evaluate."""

    def __init__(self, con: duckdb.DuckDBPyConnection) -> None:
        self._con = con
        self._recent = _recent(con)
        reading = (table.name for table in TABLES.values() if table.tier is Tier.READING)
        self.only_recent = dict.fromkeys(reading, f"WHERE time >= {self._recent}")

    @cached_property
    def _evaluator(self) -> Evaluator:
        return Evaluator()

    @cached_property
    def _there(self) -> dict[str, set[str]]:
        rows = self._con.sql("""
            SELECT table_name, list(column_name) FROM duckdb_columns()
            WHERE schema_name = 'main' GROUP BY 1
        """).fetchall()
        return {name: set(columns) for name, columns in rows}

    def parts(self) -> list[Part]:
        """Return all that is expected, in the order of the tables."""
        declared = ((t.name, declared_limits.expectations(t)) for t in TABLES.values())
        found = [Part.of_columns(name, asked) for name, asked in declared if asked]
        across = [*cross_checks.checks(), *missing_results.checks()]
        counts = [check.count(self._recent) for check in across]
        for table in TABLES.values():
            counts += declared_limits.counts(table, self.only_recent.get(table.name, ""))
        return found + [Part.of_count(check) for check in counts]

    def columns(self, name: str, every: tuple[Expected, ...]) -> list[Outcome]:
        """Evaluate a table's columns; those of a column that is not there stay unevaluated."""
        expected = [one for one in every if one.column in self._there.get(name, ())]
        totals = [Result() for _ in expected]
        if expected:
            for batch in self._batches(name, list(dict.fromkeys(e.column for e in expected))):
                found = self._evaluator.evaluate(batch, expected)
                for total, result in zip(totals, found, strict=True):
                    total.add(result)
        by_place = dict(zip(map(id, expected), totals, strict=True))
        return [
            outcome(name, one.words, one.column, one.said, by_place.get(id(one), Result()))
            for one in every
        ]

    def _batches(self, name: str, columns: list[str]) -> Iterator[pl.DataFrame]:
        values = ", ".join(map(generated.quoted, columns))
        rows = f"SELECT {values} FROM {generated.quoted(name)} {self.only_recent.get(name, '')}"
        start = 0
        while True:
            batch = self._con.sql(f"{rows} LIMIT {BATCH_ROWS} OFFSET {start}").pl()
            if batch.is_empty():
                return
            yield batch
            start += BATCH_ROWS

    def counts(self, asked: list[CountCheck]) -> list[Outcome]:
        """Evaluate what is counted in SQL: columns and types, single keys, tables against each other."""
        counted = [_count(self._con, check.query) for check in asked]
        expected = [
            declared_limits.none_unmet(str(i)) for i, one in enumerate(counted) if not one.trouble
        ]
        if expected:
            frame = pl.DataFrame({one.column: [counted[int(one.column)].unmet] for one in expected})
            judged = self._evaluator.evaluate(frame, expected)
            for one, result in zip(expected, judged, strict=True):
                count = counted[int(one.column)]
                # The evaluator's word stands: it and the count must agree, or it is said.
                if result.trouble or bool(result.unmet) != bool(count.unmet):
                    count.trouble = result.trouble or "the count and its judgement disagree"
        return [
            outcome(check.table, check.words, "", check.said, count, check.severity)
            for check, count in zip(asked, counted, strict=True)
        ]


def _recent(con: duckdb.DuckDBPyConnection) -> str:
    """The first instant of the recent readings, as an SQL literal; none is later than the latest."""
    tables = [generated.quoted(t.name) for t in TABLES.values() if t.tier is Tier.READING]
    newest = " UNION ALL ".join(f"SELECT max(time) AS time FROM {name}" for name in tables)
    ((since,),) = con.sql(f"""
        SELECT CAST(coalesce(max(time), TIMESTAMPTZ 'epoch') - INTERVAL {RECENT_D} DAY AS VARCHAR)
        FROM ({newest})
    """).fetchall()
    return f"TIMESTAMPTZ {generated.literal(since)}"


def _count(con: duckdb.DuckDBPyConnection, query: str) -> Result:
    try:
        ((looked, unmet, examples),) = con.sql(query).fetchall()
    except duckdb.Error as error:
        return Result(trouble=str(error).strip().splitlines()[0])
    return Result(int(looked), int(unmet), (str(examples),) if examples else ())


def outcome(  # noqa: PLR0917
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
