"""Find the lines of a delivery that hold the readings of certain instruments and hours.

The warehouse keeps no line of an accepted reading; the archive keeps the bytes, so they are read
again by the layout of today's farm file.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise

import duckdb
import polars as pl

from flows.base.errors import UserError
from flows.books.amended import amended
from flows.farm import farm_file
from flows.farm.folder import FarmFolder
from flows.intake.by_layout import content_of
from flows.intake.door.places import Places, with_one_instrument
from flows.intake.door.times import read_times
from flows.intake.readers.by_format import reader_of
from flows.intake.readers.chunk import Unreadable
from flows.intake.sources.match import match
from flows.store.archive import Archive
from flows.store.backup_objects import Damaged
from flows.store.receipts import Receipt
from schemas.farm.farm import Farm

MOST_BYTES = 64 << 20  # of a delivery that is read again for this


@dataclass(frozen=True, slots=True)
class FileLines:
    """The archive, and the farm file by which its deliveries are read again."""

    archive: Archive
    farm: Farm

    @classmethod
    def of(cls, folder: FarmFolder, con: duckdb.DuckDBPyConnection) -> FileLines | None:
        """Return those of a farm folder; None if it has no archive or no valid farm file.

        ``con``: the published copy, whose field book amends the farm file.
        """
        if not folder.archive.is_dir():
            return None
        try:
            farm = amended(con, farm_file.load(folder.farm_toml))
            return cls(Archive.open(folder.archive), farm)
        except UserError:
            return None

    def place(self, delivery: str, instruments: list[str], span: list[datetime]) -> str:
        """Return the lines as text, such as ``lines 12 to 35``; empty if they cannot be found."""
        receipt = next((r for r in self.archive.receipts if r.delivery == delivery), None)
        if receipt is None or receipt.size - receipt.offset > MOST_BYTES:
            return ""
        try:
            return in_runs(self._lines(receipt, instruments, span))
        except (Unreadable, Damaged, OSError, KeyError, pl.exceptions.PolarsError):
            return ""

    def _lines(self, receipt: Receipt, instruments: list[str], span: list[datetime]) -> list[int]:
        places = Places.of(self.farm)
        found = match(receipt, self.farm, places)
        if found is None:
            return []
        layout = self.farm.layouts[found.source.layout]
        standard = timedelta(hours=farm_file.standard_offset_h(self.farm.place))
        lines: set[int] = set()
        for chunk in reader_of(layout)(content_of(self.archive, receipt), layout):
            if chunk.frame.is_empty():
                continue
            frame = with_one_instrument(chunk.frame.with_columns(seq=pl.lit(1, pl.Int64)))
            rows = read_times(frame, layout, standard)
            within = (pl.col("time") > span[0]) & (pl.col("time") <= span[1])
            if "instrument" in rows.columns:
                named = [
                    word
                    for word in rows["instrument"].unique().drop_nulls().to_list()
                    if {places.named("station", word), places.named("probe", word)}
                    & set(instruments)
                ]
                within = within & pl.col("instrument").is_in(named)
            lines |= set(rows.filter(within)["line"].to_list())
        return sorted(lines)


def in_runs(lines: list[int]) -> str:
    """Return numbers as text, neighbors in runs: ``lines 3 to 5, 9``."""
    if not lines:
        return ""
    starts = [lines[0], *(b for a, b in pairwise(lines) if b != a + 1)]
    ends = [*(a for a, b in pairwise(lines) if b != a + 1), lines[-1]]
    runs = [f"{a}" if a == b else f"{a} to {b}" for a, b in zip(starts, ends, strict=True)]
    shown = ", ".join(runs[:6]) + (f" and {len(runs) - 6} more runs" if len(runs) > 6 else "")
    return f"line {shown}" if len(lines) == 1 else f"lines {shown}"
