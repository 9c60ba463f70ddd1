"""The count of a window of deliveries: rows and values in = landed + quarantined + duplicate."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

import duckdb
import polars as pl

from flows.intake.door.admit import Admitted
from flows.intake.door.places import distinct
from flows.intake.door.rejected import REFUSED
from flows.intake.merge import Merged
from flows.intake.readers.chunk import Chunk
from flows.intake.readers.sections import Section
from flows.intake.sources import Match
from flows.store import warehouse
from flows.store.archive import Receipt
from schemas import generated
from schemas.catalogue import TABLES

RAW_LIMIT = 2000  # characters of a line that are kept beside its refusal
MOST_ENTRIES = 100_000  # entries a delivery in quarantine; the rest is counted (the bytes are kept)
ROW = pl.col("seq") * (1 << 34) + pl.col("line")  # one number for a row: faster than two columns
ROW_FAULT_VALUES = 0  # a line that is not a row has no values to count


@dataclass(frozen=True, slots=True)
class Lines:
    """The text of some lines of a delivery, until they are landed."""

    first: int
    last: int
    raw: Callable[[int], str]
    member: str


@dataclass(slots=True)
class Reading:
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
    refused: list[pl.DataFrame] = field(default_factory=list)
    raw: list[Lines] = field(default_factory=list)

    @property
    def seq(self) -> int:
        """Its place in the order of receipt."""
        return self.receipt.sequence

    def add(self, name: str, number: int) -> None:
        """Count."""
        self.counts[name] = self.counts.get(name, 0) + number

    def note(self, chunk: Chunk) -> None:
        """Take in a chunk's lines, and the lines that are no rows at all."""
        self.lines_of(chunk)
        if not chunk.faults.is_empty():
            self.add("rows_in", chunk.faults.height)
            self.add("rows_quarantined", chunk.faults.height)
            self.keep(
                chunk.faults.with_columns(
                    seq=pl.lit(self.seq, pl.Int64), values=pl.lit(ROW_FAULT_VALUES, pl.Int64)
                ).select(REFUSED.names())
            )

    def lines_of(self, piece: Chunk | Section) -> None:
        """Have the text of its lines at hand."""
        if piece.last_line:
            self.raw.append(Lines(piece.first_line, piece.last_line, piece.raw, piece.member))

    def keep(self, refused: pl.DataFrame) -> None:
        """Keep refusals, up to the limit."""
        room = MOST_ENTRIES - sum(frame.height for frame in self.refused)
        if refused.height > room:
            self.add("more", refused.height - room)
        if room > 0:
            kept = refused.head(room)
            numbers = kept["line"].to_list()
            self.refused.append(
                kept.with_columns(
                    pl.Series("raw", [self.line(n) for n in numbers], dtype=pl.String),
                    pl.Series("name", [self.file(n) for n in numbers], dtype=pl.String),
                )
            )

    def line(self, number: int) -> str | None:
        """The text of one of its lines."""
        lines = self._lines(number)
        return None if lines is None else lines.raw(number)[:RAW_LIMIT]

    def file(self, number: int) -> str:
        """The file that a line stands in: its own name, or that of a file in the archive it is."""
        lines = self._lines(number)
        inside = f"/{lines.member}" if lines is not None and lines.member else ""
        return self.receipt.name + inside

    def _lines(self, number: int) -> Lines | None:
        return next((lines for lines in self.raw if lines.first <= number <= lines.last), None)

    def forget(self, before: int) -> None:
        """Let go of the text of lines up to one: a large file must not be held whole."""
        self.raw = [lines for lines in self.raw if lines.last > before]

    @property
    def state(self) -> str:
        """What became of it as a whole."""
        if self.counts.get("rows_landed", 0) + self.counts.get("rows_duplicate", 0):
            return "landed"
        return "refused" if self.cause or self.counts.get("rows_in") else "empty"


class Tally:
    """Counts of a window, and the writing of its receipts and refusals."""

    def __init__(self, readings: dict[int, Reading]) -> None:
        self.readings = readings
        self.instruments: set[tuple[int, str, str]] = set()
        self.names = pl.DataFrame(
            [(seq, r.receipt.delivery) for seq, r in readings.items()],
            schema={"seq": pl.Int64, "delivery": pl.String},
            orient="row",
        )

    def heard(self, new: pl.DataFrame) -> None:
        """Note the span of accepted reading times, and of which instruments they are."""
        kind = "probe" if "probe" in new.columns else "station"
        for seq, name in distinct(new.select("seq", kind)).iter_rows():
            self.instruments.add((seq, kind, name))
        spans = new.group_by("seq").agg(
            pl.col("time").min().alias("lo"), pl.col("time").max().alias("hi")
        )
        for seq, low, high in spans.select("seq", "lo", "hi").iter_rows():
            reading = self.readings[seq]
            reading.first = low if reading.first is None else min(low, reading.first)
            reading.last = high if reading.last is None else max(high, reading.last)

    def count(self, parts: list[Admitted], merged: list[Merged]) -> None:
        """Take in a part: every row that came, what was refused, what was merged."""
        rows = pl.concat(part.rows for part in parts)
        refused = pl.concat(part.refused for part in parts)
        if all(part.whole for part in parts) and all(m.whole for m in merged):
            fate = rows.with_columns(landed=pl.lit(True))
        else:
            landed = pl.concat(
                [m.rows.select(ROW.alias("row"), "landed") for m in merged]
                or [pl.DataFrame(schema={"row": pl.Int64, "landed": pl.Boolean})]
            )
            landed = landed.group_by("row").agg(pl.col("landed").any())
            fate = rows.with_columns(ROW.alias("row")).join(landed, on="row", how="left")
        by_row = fate.group_by("seq").agg(
            rows_in=pl.len(),
            rows_landed=pl.col("landed").sum(),
            rows_duplicate=(~pl.col("landed")).sum(),
            rows_quarantined=pl.col("landed").is_null().sum(),
            values_in=pl.col("values").sum(),
        )
        by_value = [
            refused.group_by("seq").agg(values_quarantined=pl.col("values").sum()),
            *(
                m.values.rename({"landed": "values_landed", "duplicate": "values_duplicate"})
                for m in merged
            ),
        ]
        for frame in (by_row, *by_value):
            for row in frame.iter_rows(named=True):
                for name, number in row.items():
                    if name != "seq":
                        self.readings[row["seq"]].add(name, int(number))
        for (seq,), part in refused.group_by("seq"):
            self.readings[int(seq)].keep(part.sort("line"))
        for seq, last in rows.group_by("seq").agg(pl.col("line").max()).iter_rows():
            self.readings[seq].forget(last)

    def write(self, con: duckdb.DuckDBPyConnection) -> None:
        """Write the receipts and the refusals."""
        warehouse.append(con, TABLES["delivery"], self._deliveries())
        heard = generated.polars_schema(TABLES["delivery_instrument"])
        frame = pl.DataFrame(sorted(self.instruments), schema=heard, orient="row")
        warehouse.append(con, TABLES["delivery_instrument"], frame)
        refusals = [entry for reading in self.readings.values() for entry in _entries(reading)]
        if refusals:
            table = TABLES["quarantine"]
            frame = pl.DataFrame(refusals, infer_schema_length=None).unique(table.key, keep="first")
            warehouse.append(con, table, generated.conform(frame.sort("delivery", "line"), table))

    def _deliveries(self) -> pl.DataFrame:
        table = TABLES["delivery"]
        rows = [_delivery(reading) for reading in self.readings.values()]
        return generated.conform(
            pl.DataFrame(
                rows, schema_overrides=generated.polars_schema(table), infer_schema_length=None
            ),
            table,
        )


def _delivery(reading: Reading) -> dict[str, Any]:
    receipt, match = reading.receipt, reading.match
    counted = {
        f"{what}_{fate}": reading.counts.get(f"{what}_{fate}", 0)
        for what in ("rows", "values")
        for fate in ("in", "landed", "quarantined", "duplicate")
    }
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
        "state": reading.state,
        "reason": _reason(reading),
        "first_reading": reading.first,
        "last_reading": reading.last,
    } | counted


def _reason(reading: Reading) -> str | None:
    if reading.state == "refused":
        cause, found, expected = _whole_cause(reading)
        return f"{cause}: found {found}; expected {expected}"
    if more := reading.counts.get("more"):
        return f"{more} more refusals than the {MOST_ENTRIES:,} that are listed"
    return reading.reason


def _whole_cause(reading: Reading) -> tuple[str, str, str]:
    """Why nothing of a delivery could be accepted: its one cause, or the most frequent."""
    if reading.cause:
        return reading.cause
    refused = pl.concat(reading.refused)
    cause = refused["cause"].mode(maintain_order=True).first()
    row = refused.filter(pl.col("cause") == cause).row(0, named=True)
    return str(cause), str(row["found"]), str(row["expected"])


def _entries(reading: Reading) -> list[dict[str, Any]]:
    """What goes into quarantine for a delivery: one entry where it was refused whole."""
    common = {
        "delivery": reading.receipt.delivery,
        "source": reading.match.source.name if reading.match else reading.receipt.source,
        "name": reading.receipt.name,
    }
    if reading.state == "refused":
        cause, found, expected = _whole_cause(reading)
        whole = {"line": 0, "column_name": "", "extent": "delivery", "cause": cause}
        raw = next((f["raw"][0] for f in reading.refused if not f.is_empty()), None)
        return [common | whole | {"found": found, "expected": expected, "raw": raw}]
    entries = [
        common | {k: v for k, v in row.items() if k not in ("seq", "values")}
        for frame in reading.refused
        for row in frame.iter_rows(named=True)
    ]
    if reading.cause:
        cause, found, expected = reading.cause
        part = {"line": 0, "column_name": "", "extent": "row", "cause": cause}
        entries.append(common | part | {"found": found, "expected": expected, "raw": None})
    return entries
