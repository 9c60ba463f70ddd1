"""The list of faults that were put in, with what should become of each."""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from datetime import date
from typing import Literal

import polars as pl

# What should become of a fault:
#   read right    the layout (or the reader) copes, the values land as they were measured
#   refused       rows, values or the file stand in quarantine with a reason
#   kept once     said twice, landed once
#   superseded    contradicted by a later delivery, which stands; the earlier is kept beside it
#   marked        the values land; quality, coverage or health mark them
#   left in       the values land and nothing can tell them from good ones without a second look
#   passed over   the file is not taken, or has nothing in it, and a note says so
Outcome = Literal[
    "read right", "refused", "kept once", "superseded", "marked", "left in", "passed over"
]


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault: ``usual`` is its number in our list of the usual faults of instrument exports."""

    fault: str
    usual: int
    instrument: str
    what: str
    outcome: Outcome
    expected: str
    first: date | None = None
    last: date | None = None
    files: str = ""
    rows: int | None = None


@dataclass(slots=True)
class Ledger:
    """Gathers the faults while files are made."""

    faults: list[Fault] = field(default_factory=list)

    def add(self, fault: Fault) -> None:
        """Note a fault; raises ValueError where its name is taken."""
        if any(f.fault == fault.fault for f in self.faults):
            raise ValueError(f"the fault {fault.fault} is there already")
        self.faults.append(fault)

    def frame(self) -> pl.DataFrame:
        """The faults as a table."""
        rows = [asdict(f) for f in self.faults]
        schema = {"first": pl.Date, "last": pl.Date, "rows": pl.Int64}
        return pl.DataFrame(rows, schema_overrides=schema, infer_schema_length=None)
