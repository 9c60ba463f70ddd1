"""What a logger's files say: how they read, which instruments and depths, the first readings."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import polars as pl
from pydantic import ValidationError

from flows.base.errors import UserError
from flows.base.plain_text import counted, text_table
from flows.farm import farm_file
from flows.farm.folder import FarmFolder
from flows.intake.by_layout import join_frames
from flows.intake.door.admit import Admitted, admit
from flows.intake.door.batch import TABLE_OF
from flows.intake.door.depths import in_cm
from flows.intake.door.places import Places, with_one_instrument
from flows.intake.readers.by_format import reader_of
from flows.intake.readers.chunk import Content, Unreadable
from flows.setup.sniff import sniff_file
from flows.setup.sniff.finding import Finding
from flows.setup.sniff.propose import MOST_UNPACKED
from flows.store import wide_rows
from schemas.farm.farm import Farm
from schemas.farm.layout import Layout
from schemas.quantities import OF_WHOLE_PROBE, Instrument

SHOWN = 5  # first readings
MOST_INSTRUMENTS = 40  # in one file
LONG_AGO = date(1900, 1, 1)
ANY = "any"  # an instrument of the preview, before it has a name


@dataclass(frozen=True, slots=True)
class Look:
    """What the files of one logger say.

    ``layout`` is as farm.toml would have it; ``rows`` what their reader makes of them, ``seq`` the
    number of the file from 1. ``words`` name the instruments, if the files do. ``unsure``: what
    the files leave open. ``place``: latitude and longitude that they say, degrees.
    """

    files: tuple[Path, ...]
    layout: dict[str, Any]
    rows: pl.DataFrame
    unsure: tuple[Finding, ...] = ()
    left_out: tuple[str, ...] = ()
    words: tuple[str, ...] = field(default=())
    place: tuple[float, float] | None = None

    @property
    def model(self) -> Layout:
        """Return the layout; raises UserError with what is wrong with it."""
        try:
            return Layout.model_validate(self.layout)
        except ValidationError as error:
            faults = "; ".join(fault["msg"] for fault in error.errors())
            raise UserError(f"These answers make no layout: {faults}.") from None

    @property
    def kinds(self) -> tuple[Instrument, ...]:
        """Return whether the columns are of a station, a probe or both."""
        found = {rule.instrument for rule in self.model.columns.values()}
        return tuple(kind for kind in Instrument if kind in found)

    def sensors(self, word: str | None = None) -> list[dict[str, Any]]:
        """Return the sensors of the probe (of that ``word``), as farm.toml has them.

        A sensor whose depth nothing says has no ``depth_cm``.
        """
        layout, rows = self.model, self.rows
        if word is not None:
            rows = rows.filter(pl.col("instrument").str.strip_chars() == word)
        found: dict[tuple[str, float | None], dict[str, Any]] = {}
        if "depth" in rows.columns:
            depths = in_cm(rows["depth"].cast(pl.String).unique(), layout.depth_unit).values()
            for depth in sorted({round(d, 2) for d in depths}):
                found["", depth] = {"depth_cm": depth}
        if "sensor" in rows.columns:
            for name in rows["sensor"].drop_nulls().str.strip_chars().unique().sort():
                found[name, None] = {"name": name}
        for rule in layout.columns.values():
            if rule.instrument is not Instrument.PROBE or rule.quantity in OF_WHOLE_PROBE:
                continue
            if rule.depth_cm is not None:
                found["", rule.depth_cm] = {"depth_cm": rule.depth_cm}
            elif rule.sensor is not None:
                found[rule.sensor, None] = {"name": rule.sensor}
        return sorted(found.values(), key=lambda s: s.get("depth_cm", 0.0))

    def with_layout(self, layout: dict[str, Any]) -> Look:
        """Return the same files read by another layout."""
        return read(replace(self, layout=layout))


def name_of(word: str) -> str:
    """Return a word of the files as a name that farm.toml takes."""
    return re.sub(r"[\x00-\x1f/\\]+", "-", word)[:80] or "-"


def look(files: Sequence[Path], folder: FarmFolder) -> Look:
    """Read the files of one logger. Raises UserError if they cannot be made out."""
    sniffed = sniff_file.sniff(files, folder.root)
    proposal = sniffed.proposal
    return read(
        Look(
            tuple(files),
            dict(proposal.layout),
            pl.DataFrame(),
            tuple(proposal.questions),
            tuple(proposal.left_out),
            place=proposal.place,
        )
    )


def read(seen: Look) -> Look:
    """Read the files' rows by the layout. Raises UserError."""
    layout = seen.model
    frames = []
    for number, file in enumerate(seen.files, 1):
        try:
            chunks = [c.frame for c in reader_of(layout)(_content(file), layout)]
        except Unreadable as error:
            raise UserError(f"{file.name} cannot be read: {error}.") from None
        frames += [
            frame.with_columns(seq=pl.lit(number, pl.Int64))
            for frame in chunks
            if not frame.is_empty()
        ]
    if not frames:
        raise UserError(f"There are no rows in {', '.join(f.name for f in seen.files)}.")
    rows = with_one_instrument(join_frames(frames, layout))
    words: list[str] = []
    if "instrument" in rows.columns:
        words = rows["instrument"].drop_nulls().str.strip_chars().unique().sort().to_list()
        if len(words) > MOST_INSTRUMENTS:
            raise UserError(
                f"The files name {counted(len(words), 'instrument')}, such as {words[0]} and {words[1]}. "
                "Add them in farm.toml: 'checkstrip new --reference' shows how (many instruments)."
            )
    return replace(seen, rows=rows, words=tuple(words))


def _content(file: Path) -> Content:
    with file.open("rb") as stream:
        data = stream.read(MOST_UNPACKED)
    return Content(file.name, 0, lambda: iter(()), lambda: iter([data]))


def admitted(seen: Look, farm_toml: str) -> tuple[Admitted, Farm]:
    """Return the rows as they come through the door, of any instrument at any time; and the farm."""
    words = list(seen.words) or [ANY]
    names = [{"name": name_of(word), "ids": [word]} for word in words]
    content = tomllib.loads(farm_toml)
    spell = {"field": "-", "strip": "check", "from": LONG_AGO}
    sensors = [{"depth_cm": float(i), **s} for i, s in enumerate(seen.sensors(), 1)]
    content["stations"] = [{**name, "spells": [spell]} for name in names]
    content["probes"] = [
        {**name, "sensors": sensors, "spells": [spell]} for name in names if sensors
    ]
    content |= {"layouts": {}, "sources": []}
    content.pop("normals", None)
    farm = farm_file.parse(content, "farm.toml")
    only = None if seen.words else ANY
    probe = only if sensors else None
    number = len(seen.files)
    senders = pl.DataFrame(
        {
            "seq": range(1, number + 1),
            "station": [only] * number,
            "probe": [probe] * number,
            "received_at": [datetime.now(UTC)] * number,
        },
        {
            "seq": pl.Int64,
            "station": pl.String,
            "probe": pl.String,
            "received_at": pl.Datetime("us", "UTC"),
        },
    )
    return admit(seen.rows, seen.model, senders, Places.of(farm)), farm


@dataclass(frozen=True, slots=True)
class Preview:
    """The first readings as they would land, and the first and last day of all of them."""

    lines: list[str]
    first: date
    last: date


def preview(seen: Look, farm_toml: str) -> Preview:
    """Return the first readings by the farm's clock. Raises UserError if no row would land."""
    through, farm = admitted(seen, farm_toml)
    lines: list[str] = []
    days: list[date] = []
    for kind, kept in through.readings.items():
        rows = wide_rows.single(kept, TABLE_OF[kind]) if TABLE_OF[kind].list_columns else kept
        if rows.is_empty():
            continue
        ends = (rows["time"].min(), rows["time"].max())
        days += [_day(end, farm) for end in ends if isinstance(end, datetime)]
        lines += ["", f"First readings of the {kind.value}, as they would land:"]
        lines += _table(rows, kind, farm, several=len(seen.words) > 1)
    if not days:
        raise UserError("No row of the files would land. " + _causes(through))
    lines += [f"Rejected: {_causes(through)}"] if not through.rejected.is_empty() else []
    return Preview(lines, min(days), max(days))


def _day(end: datetime, farm: Farm) -> date:
    """Return the climatological day of an interval's end: standard time, as the day starts."""
    starts = farm.place.day_starts
    begun = timedelta(hours=starts.hour, minutes=starts.minute, seconds=starts.second + 1)
    standard = timedelta(hours=farm_file.standard_offset_h(farm.place))
    return (end.astimezone(UTC) + standard - begun).date()


def _table(rows: pl.DataFrame, kind: Instrument, farm: Farm, *, several: bool) -> list[str]:
    first = rows.sort(kind.value, "time").head(SHOWN)
    keys = [kind.value] if several else []
    keys += ["depth_cm"] if "depth_cm" in rows.columns else []
    hidden = {"seq", "line", "values", "time", "interval_s", "delivery", "station", "probe", *keys}
    shown = [n for n in rows.columns if n not in hidden and wide_rows.has_values(rows[n])]
    local = pl.col("time").dt.convert_time_zone(farm.place.time_zone)
    table = first.select(local.dt.strftime("%Y-%m-%d %H:%M").alias("time"), *keys, *shown)
    cells = [
        ["" if v is None else f"{v:g}" if isinstance(v, float) else str(v) for v in row]
        for row in table.rows()
    ]
    heading = [f"time ({farm.place.time_zone})", *table.columns[1:]]
    right = range(1 + len(keys[:1] if several else []), len(heading))
    return [f"  {line}" for line in text_table(cells, right, heading)]


def _causes(through: Admitted) -> str:
    found = through.rejected.group_by("cause").agg(pl.len(), pl.all().first().name.suffix("_1"))
    return "; ".join(
        f"{counted(row['len'], 'time')} {row['cause']} (found {row['found_1']}; expected {row['expected_1']})"
        for row in found.sort("len", descending=True).head(3).to_dicts()
    )
