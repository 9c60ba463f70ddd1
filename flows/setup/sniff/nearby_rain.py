"""Rain of stations near by, for a sniff: from the published copy of a farm, or from a second file."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path

import polars as pl

from flows.base.errors import UserError
from flows.farm.farm_file import standard_offset_h
from flows.farm.folder import FarmFolder
from flows.intake.door.places import Places
from flows.intake.door.times import read_times
from flows.intake.door.values import to_numbers
from flows.intake.land import join_frames
from flows.intake.readers.by_format import reader_of
from flows.intake.readers.chunk import Content, Unreadable
from flows.intake.sources.match import match
from flows.setup.sniff.finding import CannotSniff, Finding
from flows.setup.sniff.propose import propose
from flows.setup.sniff.rain_clock import MOST_STEP_S, Neighbor
from flows.store import publish, query
from schemas.farm.farm import Farm, Place
from schemas.farm.layout import Layout

MOST_STATIONS = 12


@dataclass(frozen=True, slots=True)
class _Named:
    """A file as if it lay in a source's folder."""

    kind: str
    folder: str
    name: str
    source: str | None = None


def of_farm(folder: FarmFolder) -> list[Neighbor]:
    """The stations whose rain is published, in steps of two hours or less; none is no mistake."""
    if publish.newest(folder) is None:
        return []
    with query.open_published(folder) as con:
        rows = con.sql(
            "SELECT station, time, CAST(interval_s AS BIGINT) AS step_s, rain_mm, rain_counter_mm "
            "FROM weather_reading WHERE interval_s <= ? "
            "AND (rain_mm IS NOT NULL OR rain_counter_mm IS NOT NULL) ORDER BY station, time",
            params=[MOST_STEP_S],
        ).pl()
    return [
        Neighbor(
            f"station {frame['station'][0]}",
            _rain(frame, frame["rain_counter_mm"].null_count() == frame.height),
        )
        for frame in rows.partition_by("station", maintain_order=True)[:MOST_STATIONS]
    ]


def _rain(frame: pl.DataFrame, increments: bool) -> pl.DataFrame:
    """Rain of each interval; of a running total what it rose by, nothing where it fell."""
    risen = pl.col("rain_counter_mm").diff()
    rain = pl.col("rain_mm") if increments else pl.when(risen >= 0).then(risen)
    return frame.select("time", "step_s", rain=rain)


def of_file(file: Path, data: bytes, place: Place | None, farm: Farm | None) -> Neighbor:
    """The rain of another export: by the farm's own layout for it, else by sniffing that too.

    Raises UserError where it has no rain that can be placed in time.
    """
    layout = None if farm is None else _known(file, farm)
    questions: list[Finding] = []
    if layout is None:
        try:
            proposal = propose(data, place)
        except CannotSniff as error:
            raise UserError(f"{file.name}, to compare with, cannot be made out. {error}") from None
        questions = proposal.questions
        layout = Layout.model_validate(proposal.layout)
    unsure = {question.item for question in questions}
    if unsure & {"time.zone", "time.offset", "time.format"}:
        raise UserError(
            f"{file.name} cannot be compared with: its own clock is not known. "
            "Put it in first, or name a file whose layout stands in farm.toml."
        )
    standard = timedelta(hours=0.0 if place is None else standard_offset_h(place))
    return Neighbor(file.name, _read(file, data, layout, standard), "stamp" not in unsure)


def _known(file: Path, farm: Farm) -> Layout | None:
    """The layout of the source that would take a file of that name."""
    places = Places.of(farm)
    for folder in dict.fromkeys(s.path for s in farm.sources if s.kind == "folder"):
        found = match(_Named("file", folder, file.name), farm, places)
        if found is not None:
            return farm.layouts[found.source.layout]
    return None


def _read(file: Path, data: bytes, layout: Layout, standard: timedelta) -> pl.DataFrame:
    """``time``, ``step_s`` and ``rain`` of an export, by its layout."""
    name = next((n for n, rule in layout.columns.items() if rule.quantity == "rain"), None)
    if name is None or layout.step_s > MOST_STEP_S:
        raise UserError(f"{file.name} cannot be compared with: it has no rain by the hour.")
    content = Content(file.name, 0, lambda: iter(()), lambda: iter([data]))
    try:
        frames = [c.frame for c in reader_of(layout)(content, layout) if not c.frame.is_empty()]
    except Unreadable as error:
        raise UserError(f"{file.name} cannot be compared with: {error}.") from None
    if not frames:
        raise UserError(f"{file.name} cannot be compared with: there are no rows in it.")
    frame, _ = to_numbers(join_frames(frames, layout).with_columns(seq=pl.lit(1, pl.Int64)), layout)
    frame = read_times(frame, layout, standard)
    if "series" in frame.columns:
        frame = frame.filter(pl.col("series") == name)
    value = pl.col("value" if "value" in frame.columns else f"v:{name}")
    if layout.columns[name].counts == "total":
        risen = value.diff()
        value = pl.when(risen >= 0).then(risen)
    return frame.select("time", step_s=pl.lit(layout.step_s, pl.Int64), rain=value)
