"""A delivery that is being read: whose it is, what became of it, and its rows of the ledger."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

import polars as pl

from flows.intake.contradictions import Contradicted
from flows.intake.door.rejected import REJECTED
from flows.intake.readers.chunk import Chunk
from flows.intake.readers.sections import Section
from flows.intake.sources import Match
from flows.store.receipts import Receipt

RAW_LIMIT = 2000  # characters of a line that are kept beside its rejection
MOST_ENTRIES = 100_000  # entries a delivery in quarantine; the rest is counted (the bytes are kept)
ROW_FAULT_VALUES = 0  # a line that is not a row has no values to count


@dataclass(frozen=True, slots=True)
class TextLines:
    """The text of some lines of a delivery, until they are landed."""

    first: int
    last: int
    raw: Callable[[int], str]
    member: str


@dataclass(slots=True)
class Incoming:
    """A delivery that is being read: whose it is, what was found, what went wrong.

    ``cause`` (cause, found, expected) is set where nothing of it could be read, ``reason`` where
    something should be known of a delivery that landed.
    """

    receipt: Receipt
    match: Match | None
    reason: str | None = None
    cause: tuple[str, str, str] | None = None
    first: datetime | None = None
    last: datetime | None = None
    counts: dict[str, int] = field(default_factory=dict)
    rejected: list[pl.DataFrame] = field(default_factory=list)
    raw: list[TextLines] = field(default_factory=list)

    @property
    def seq(self) -> int:
        """Its place in the order of receipt."""
        return self.receipt.sequence

    def count(self, name: str, number: int) -> None:
        """Count."""
        self.counts[name] = self.counts.get(name, 0) + number

    def add_chunk(self, chunk: Chunk) -> None:
        """Take in a chunk's lines, and the lines that are no rows at all."""
        self.keep_text(chunk)
        if not chunk.faults.is_empty():
            self.count("rows_in", chunk.faults.height)
            self.count("rows_quarantined", chunk.faults.height)
            self.keep_rejections(
                chunk.faults.with_columns(
                    seq=pl.lit(self.seq, pl.Int64), values=pl.lit(ROW_FAULT_VALUES, pl.Int64)
                ).select(REJECTED.names())
            )

    def keep_text(self, piece: Chunk | Section) -> None:
        """Have the text of its lines at hand."""
        if piece.last_line:
            self.raw.append(TextLines(piece.first_line, piece.last_line, piece.raw, piece.member))

    def keep_rejections(self, rejected: pl.DataFrame) -> None:
        """Keep rejections, up to the limit."""
        room = MOST_ENTRIES - sum(frame.height for frame in self.rejected)
        if rejected.height > room:
            self.count("more", rejected.height - room)
        if room > 0:
            kept = rejected.head(room)
            numbers = kept["line"].to_list()
            self.rejected.append(
                kept.with_columns(
                    pl.Series("raw", [self.text_of(n) for n in numbers], dtype=pl.String),
                    pl.Series("name", [self.file_of(n) for n in numbers], dtype=pl.String),
                )
            )

    def text_of(self, number: int) -> str | None:
        """Return the text of one of its lines."""
        lines = self._text_lines(number)
        return None if lines is None else lines.raw(number)[:RAW_LIMIT]

    def file_of(self, number: int) -> str:
        """Return the file of a line: the delivery's name, and the member if it is an archive."""
        lines = self._text_lines(number)
        inside = f"/{lines.member}" if lines is not None and lines.member else ""
        return self.receipt.name + inside

    def _text_lines(self, number: int) -> TextLines | None:
        return next((lines for lines in self.raw if lines.first <= number <= lines.last), None)

    def drop_text(self, before: int) -> None:
        """Let go of the text of lines up to one: a large file must not be held whole."""
        self.raw = [lines for lines in self.raw if lines.last > before]

    @property
    def contradicted(self) -> Contradicted:
        """How many of its values contradict another line of it."""
        values, times = (
            self.counts.get(f"contradicted_{name}", 0) + self.counts.get(f"two_rows_{name}", 0)
            for name in ("values", "times")
        )
        return Contradicted(values, self.counts.get("values_in", 0), times)

    @property
    def state(self) -> str:
        """What became of it as a whole."""
        if self.counts.get("rows_landed", 0) + self.counts.get("rows_duplicate", 0):
            return "landed"
        return "refused" if self.cause or self.counts.get("rows_in") else "empty"


def receipt_row(delivery: Incoming) -> dict[str, Any]:
    """Return a delivery's row of the table ``delivery``."""
    receipt, match = delivery.receipt, delivery.match
    counted = {
        f"{what}_{fate}": delivery.counts.get(f"{what}_{fate}", 0)
        for what in ("rows", "values")
        for fate in ("in", "landed", "quarantined", "duplicate")
    }
    counted["values_gone"] = delivery.counts.get("gone", 0)
    counted["values_contradicted"] = delivery.contradicted.values
    return {
        "delivery": receipt.delivery,
        "sha256": receipt.sha256,
        "sequence": receipt.sequence,
        "received_at": receipt.received_at,
        "source": match.source.name if match else receipt.source,
        "name": receipt.name,
        "station": match.station if match else None,
        "probe": match.probe if match else None,
        "layout": match.source.layout if match else None,
        "setup": match.setup if match else None,
        "continues": str(receipt.continues) if receipt.continues else None,
        "size_bytes": receipt.size,
        "state": delivery.state,
        "reason": _reason(delivery),
        "first_reading": delivery.first,
        "last_reading": delivery.last,
    } | counted


def _reason(delivery: Incoming) -> str | None:
    if delivery.state == "refused":
        cause, found, expected = _main_cause(delivery)
        return f"{cause}: found {found}; expected {expected}"
    if more := delivery.counts.get("more"):
        return f"{more} more refusals than the {MOST_ENTRIES:,} that are listed"
    gone, contradicted = (delivery.counts.get(n, 0) for n in ("gone", "contradicted_values"))
    kept = later = None
    if gone:
        kept = f"{gone:,} earlier values are no longer in the file and were kept"
    if gone == 1:
        kept = "1 earlier value is no longer in the file and was kept"
    if contradicted:
        values = (
            "1 value contradicts" if contradicted == 1 else f"{contradicted:,} values contradict"
        )
        later = f"{values} another line of the file; the later line stands"
    return "; ".join(filter(None, (delivery.reason, kept, later))) or None


def _main_cause(delivery: Incoming) -> tuple[str, str, str]:
    """Why nothing of a delivery could be accepted: its one cause, or the most frequent."""
    if delivery.cause:
        return delivery.cause
    rejected = pl.concat(delivery.rejected)
    cause = rejected["cause"].mode(maintain_order=True).first()
    row = rejected.filter(pl.col("cause") == cause).row(0, named=True)
    return str(cause), str(row["found"]), str(row["expected"])


def quarantine_rows(delivery: Incoming) -> list[dict[str, Any]]:
    """Return what goes into quarantine for a delivery: one entry where it was rejected whole."""
    common = {
        "delivery": delivery.receipt.delivery,
        "source": delivery.match.source.name if delivery.match else delivery.receipt.source,
        "name": delivery.receipt.name,
    }
    if delivery.state == "refused":
        cause, found, expected = _main_cause(delivery)
        whole = {"line": 0, "column_name": "", "extent": "delivery", "cause": cause}
        raw = next((f["raw"][0] for f in delivery.rejected if not f.is_empty()), None)
        return [common | whole | {"found": found, "expected": expected, "raw": raw}]
    entries = [
        common | {k: v for k, v in row.items() if k not in ("seq", "values")}
        for frame in delivery.rejected
        for row in frame.iter_rows(named=True)
    ]
    if delivery.cause:
        cause, found, expected = delivery.cause
        part = {"line": 0, "column_name": "", "extent": "row", "cause": cause}
        entries.append(common | part | {"found": found, "expected": expected, "raw": None})
    return entries
