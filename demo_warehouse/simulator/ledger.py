"""The faults that are put in (``faults.csv``), and what should become of each.

``outcome`` is one of:

- read right: the layout (or the reader) copes, the values land as they were measured
- refused: rows, values or the file are in quarantine with a reason
- kept once: said twice, landed once
- superseded: contradicted by a later delivery, which stands; the earlier is kept beside it
- marked: the values land; quality, coverage or health mark them
- left in: the values land and nothing can tell them from good ones without a second look
- skipped: the file is not taken, or has nothing in it, and a note says so
"""

from dataclasses import asdict, dataclass, field, replace
from datetime import date
from pathlib import Path
from typing import Any

import polars as pl

from demo_warehouse.simulator.plan import FIRST, LAST

SCHEMA = {"usual": pl.Int64, "first": pl.Date, "last": pl.Date, "rows": pl.Int64}


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault: ``usual`` is its number in our list of the usual faults of instrument exports."""

    fault: str
    usual: int
    instrument: str
    what: str
    outcome: str
    expected: str
    first: date | None
    last: date | None
    files: str
    rows: int | None

    @property
    def begins(self) -> date:
        """First day of the fault; the first of the record if it is open."""
        return self.first or FIRST

    @property
    def ends(self) -> date:
        """Last day of the fault; the last of the record if it is open."""
        return self.last or LAST


def listed() -> dict[str, Fault]:
    """Return the faults of ``faults.csv`` by name, in its order."""
    path = Path(__file__).with_name("faults.csv")
    table = pl.read_csv(path, schema_overrides=SCHEMA).with_columns(pl.col(pl.String).fill_null(""))
    return {row["fault"]: Fault(**row) for row in table.iter_rows(named=True)}


@dataclass(slots=True)
class Ledger:
    """The faults by name, with what is only known once they are put in: rows, and some days."""

    faults: dict[str, Fault] = field(default_factory=listed)

    def note(self, fault: str, **known: Any) -> None:
        """Note what is known of a fault now, by field; raises KeyError if it is not listed."""
        self.faults[fault] = replace(self.faults[fault], **known)

    def frame(self) -> pl.DataFrame:
        """Return the faults as a table."""
        rows = [asdict(fault) for fault in self.faults.values()]
        return pl.DataFrame(rows, schema_overrides=SCHEMA, infer_schema_length=None)
