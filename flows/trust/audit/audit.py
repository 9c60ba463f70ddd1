"""Check everything published against its declarations and for internal consistency.

It reads the published copy, so it keeps no writer waiting, and opens the writer's database only to
write down the results. What did not change since an earlier audit keeps its outcome (``carried``).
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

import duckdb
import polars as pl

from flows.base.errors import Attention, UserError
from flows.base.plain_text import counted
from flows.base.progress import Tick, silent
from flows.farm.folder import FarmFolder
from flows.store import connection, published, query, warehouse
from flows.trust.audit import archived, carried, page
from flows.trust.audit.carried import Carried
from flows.trust.audit.evaluate import evaluate, outcome
from flows.trust.audit.outcome import Outcome, Severity
from schemas import generated
from schemas.catalogue import TABLES

KEPT_AUDITS = 14
_SEVERITIES: dict[str, Severity] = {archived.AS_STORED: "warning"}


@dataclass(slots=True)
class Audited:
    """The result of an audit."""

    began: datetime
    outcomes: list[Outcome]
    page: Path

    @property
    def failed(self) -> list[Outcome]:
        """What did not hold, whether it was looked at in this audit or in an earlier one."""
        return [one for one in self.outcomes if one.state == "failed"]

    @property
    def notes(self) -> list[str]:
        """What failed, in plain words, and as of when if that was found by an earlier audit."""
        return [
            f"{o.table}: {o.said} ({o.unmet} of {o.looked}: {o.examples})"
            + (f" Found on {o.looked_at:%Y-%m-%d}, unchanged since." if self._is_carried(o) else "")
            for o in self.failed
        ]

    def _is_carried(self, one: Outcome) -> bool:
        return one.looked_at is not None and one.looked_at < self.began

    def __str__(self) -> str:
        """In a sentence."""
        held = sum(o.state == "held" for o in self.outcomes)
        unknown = sum(o.state == "not evaluated" for o in self.outcomes)
        carried = sum(map(self._is_carried, self.outcomes))
        unchanged = f" Unchanged since an earlier audit: {carried:,} of them." if carried else ""
        return (
            f"{counted(held, 'expectation')} held, {len(self.failed)} did not, {unknown} had nothing to look "
            f"at.{unchanged} The page: {self.page}"
        )


def audit(
    folder: FarmFolder,
    tick: Tick = silent,
    *,
    everything: bool = False,
    now: datetime | None = None,
) -> Audited:
    """Check what is published, write the outcomes down, make the night's page.

    What did not change since it was last looked at keeps its outcome, unless ``everything`` is
    asked for; ``now`` is when the audit begins, if not at once.
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
    began = now or datetime.now(UTC)
    known = Carried({} if everything else carried.earlier(folder), began)
    with query.open_published(folder) as con:
        found = [*evaluate(con, known, tick), *_check_files(folder, con, began, tick)]
        outcomes = _ranked(found)
        about = con.sql("SELECT farm FROM farm").fetchall()
    written = page.write(folder.audit, began, about[0][0] if about else "", outcomes)
    with warehouse.open_writer(folder, "writing down the audit") as con:
        _save(con, began, outcomes)
        connection.read_through(con)
    carried.keep(folder, known.looks)
    return Audited(began, outcomes, written)


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
        replace(outcome("delivery", words, "", said, result, severity), looked_at=began)
        for words, (result, said) in found.items()
        for severity in [_SEVERITIES.get(words, "failure")]
    ]


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
