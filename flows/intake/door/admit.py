"""Named columns → readings in SI at their instrument and depth, and what was rejected and why."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import timedelta

import polars as pl

from flows.intake.door.flags import FLAGGED
from flows.intake.door.places import EARLY, Places, fill_instruments
from flows.intake.door.readings import readings_of
from flows.intake.door.rejected import REJECTED, empty_rows, one_per_row, rejections
from flows.intake.door.times import OTHER_ZONE, read_times
from flows.intake.door.two_rows import reject_second_rows
from flows.intake.door.values import to_numbers
from schemas.farm.layout import Layout
from schemas.quantities import Instrument


@dataclass(frozen=True, slots=True)
class Admitted:
    """What came through the door.

    ``readings``: per kind of instrument a frame of the reading table's columns (those that came; a
    probe's sensors as lists) with ``seq``, ``line`` and the number of ``values`` in the row; one
    row of a file is one row here at most. ``rejected``: ``REJECTED``, its ``values`` being how many
    each entry stands for. ``rows``: ``seq``, ``line`` and ``values`` of every row that came in.
    ``flagged`` (``FLAGGED``): values that their network flagged as suspect or frozen; among the
    readings they are not-a-number, until they are merged.
    """

    readings: dict[Instrument, pl.DataFrame]
    rejected: pl.DataFrame
    rows: pl.DataFrame
    flagged: pl.DataFrame = field(default_factory=lambda: pl.DataFrame(schema=FLAGGED))

    @property
    def whole(self) -> bool:
        """Whether nothing was rejected and every row is a reading."""
        return self.rejected.is_empty() and self.rows.height in (
            found.height for found in self.readings.values()
        )


def admit(frame: pl.DataFrame, layout: Layout, senders: pl.DataFrame, places: Places) -> Admitted:
    """Read, place and check the rows of deliveries of one layout.

    ``frame``: the readers' columns with ``seq`` (the delivery's sequence) and ``line``.
    ``senders``: ``seq``, ``station``, ``probe``, ``received_at``.
    """
    if layout.series_column is not None:
        known = [word for name, rule in layout.columns.items() for word in (name, *rule.names)]
        frame = frame.filter(pl.col("series").str.strip_chars().is_in(known))
    frame, cells = to_numbers(frame, layout)
    standard = timedelta(hours=places.farm["standard_offset_h"].item())
    frame = read_times(frame, layout, standard)
    frame = frame.join(senders, on="seq", how="left", maintain_order="left")
    frame = _without_unknown_instruments(fill_instruments(frame, places), layout)
    values = [c for c in frame.columns if c == "value" or c.startswith("v:")]
    counted = pl.sum_horizontal(pl.col(c).is_not_null() for c in values).cast(pl.Int64)
    frame = frame.with_columns(counted.alias("values"))
    rows = frame.select("seq", "line", "values")
    if not cells.is_empty():
        per_cell = cells.group_by("seq", "line").agg(pl.len().cast(pl.Int64).alias("bad"))
        rows = rows.join(per_cell, on=["seq", "line"], how="left", maintain_order="left")
        rows = rows.select("seq", "line", pl.col("values") + pl.col("bad").fill_null(0))
    frame, wrong_times = _split_by_time(frame, layout)
    frame, second_rows = reject_second_rows(frame, layout)
    rejected = [cells, wrong_times, second_rows]
    admitted: dict[Instrument, pl.DataFrame] = {}
    flagged = [pl.DataFrame(schema=FLAGGED)]
    for kind in Instrument:
        found, not_found = readings_of(frame, layout, kind, places, flagged)
        rejected.extend(not_found)
        if found is not None:
            admitted[kind] = found
    rejected_rows = one_per_row(pl.concat(rejected), rows)
    empty = empty_rows(rejected_rows, rows)
    if not empty.is_empty():
        admitted = {
            kind: found.join(empty, on=["seq", "line"], how="anti", maintain_order="left")
            for kind, found in admitted.items()
        }
    return Admitted(admitted, rejected_rows, rows, pl.concat(flagged))


def _without_unknown_instruments(frame: pl.DataFrame, layout: Layout) -> pl.DataFrame:
    """Return values of optional columns count only where their kind of instrument is known.

    So an open format with weather and soil in it serves a station alone, or a probe alone.
    """
    optional = {
        f"v:{name}": rule.instrument.value
        for name, rule in layout.columns.items()
        if rule.optional and rule.owner is None and f"v:{name}" in frame.columns
    }
    return frame.with_columns(
        pl.when(pl.col(kind).is_not_null()).then(pl.col(value)).alias(value)
        for value, kind in optional.items()
    )


def _split_by_time(frame: pl.DataFrame, layout: Layout) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Return rows whose time can be read and is not in the future, and the others' rejections."""
    latest = pl.col("received_at") + EARLY
    good = (pl.col("time") <= latest).fill_null(False)
    if frame.select(good.all()).item():
        return frame, pl.DataFrame(schema=REJECTED)
    written = layout.time.format if layout.time.format != "iso" else "ISO 8601"
    other = pl.col(OTHER_ZONE) if OTHER_ZONE in frame.columns else pl.lit(None, pl.String)
    other_zone = rejections(
        frame.filter(other.is_not_null()),
        "",
        "another time zone",
        pl.col("stamp").str.slice(0, 80),
        f"{layout.time.offset or layout.time.zone}, as the layout says (or trust_zone = true or false)",
        pl.col("values"),
    )
    unread = rejections(
        frame.filter(pl.col("time").is_null() & other.is_null()),
        "",
        "time not read",
        pl.col("stamp").fill_null("nothing").str.slice(0, 80),
        f"a time as {written}",
        pl.col("values"),
    )
    future = rejections(
        frame.filter(pl.col("time") > latest),
        "",
        "time after its receipt",
        pl.col("stamp").str.slice(0, 80),
        pl.lit("a time before ") + pl.col("received_at").dt.strftime("%Y-%m-%d %H:%M UTC"),
        pl.col("values"),
    )
    return frame.filter(good), pl.concat([other_zone, unread, future])
