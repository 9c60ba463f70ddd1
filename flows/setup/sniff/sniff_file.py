"""Sniffs a file: reads it, proposes a layout, and writes it into a farm file when asked.

Rain of stations near by comes from the published copy of a farm, or from a second file.
"""

import re
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path

import polars as pl

from flows.base import files
from flows.base.errors import UserError
from flows.base.toml_text import toml_key, toml_value
from flows.farm import farm_file
from flows.farm.farm_file import standard_offset_h
from flows.farm.folder import FarmFolder
from flows.intake.by_layout import join_frames
from flows.intake.door.places import Places
from flows.intake.door.times import read_times
from flows.intake.door.values import to_numbers
from flows.intake.readers.by_format import reader_of
from flows.intake.readers.chunk import Content, Unreadable
from flows.intake.sources.match import match
from flows.setup.sniff import same_days, several
from flows.setup.sniff.finding import CannotSniff, Finding, Proposal
from flows.setup.sniff.propose import MOST_UNPACKED, instruments, propose
from flows.setup.sniff.rain_clock import MOST_STEP_S, Neighbor
from flows.store import published, query
from schemas.farm.farm import Farm, Place
from schemas.farm.layout import Layout

MOST_STATIONS = 12  # of the farm that are compared


@dataclass(frozen=True, slots=True)
class Sniffed:
    """What a sniff says: the proposal, its name, and the TOML to paste."""

    proposal: Proposal
    name: str
    toml: str
    file: Path


def sniff(
    files_of_one: Path | Sequence[Path],
    folder: Path | None,
    name: str | None = None,
    beside: Path | None = None,
) -> Sniffed:
    """A layout for the files of one logger, by the place of a farm folder if one is given.

    Stations of that farm, and another file ``beside`` it, tell by their rain how stamps are meant.
    Raises UserError.
    """
    those = [files_of_one] if isinstance(files_of_one, Path) else list(files_of_one)
    twice = sorted({file.name for file in those if [f.name for f in those].count(file.name) > 1})
    if twice:
        raise UserError(f"Two files are called {twice[0]}: rename one, so that each can be named.")
    at = None if folder is None else FarmFolder.at(folder)
    farm = None if at is None else farm_file.load(at.farm_toml)
    place = None if farm is None else farm.place
    near = [] if beside is None else [of_file(beside, _bytes(beside), place, farm)]
    if at is not None and not near:
        near = of_farm(at)
    proposals = {}
    for file in those:
        try:
            proposals[file.name] = propose(_bytes(file), place, near)
        except CannotSniff as error:
            raise UserError(f"{file.name} cannot be made out. {error}") from None
    proposal = several.joined(proposals)
    if len(those) > 1:
        same_days.ask(proposal, {file.name: _bytes(file) for file in those})
    file = those[0]
    layout_name = name or re.sub(r"[^A-Za-z0-9_]+", "_", file.stem).strip("_").lower() or "layout"
    return Sniffed(proposal, layout_name, toml_layout(proposal, layout_name), file)


def _bytes(file: Path) -> bytes:
    try:
        with file.open("rb") as stream:
            return stream.read(MOST_UNPACKED)
    except OSError as error:
        raise UserError(f"{file} cannot be read: {error.strerror}.") from None


def write(sniffed: Sniffed, folder: Path) -> str:
    """Add the layout, and a source for it where one instrument is clear, to farm.toml; what was done.

    Raises UserError where the name is taken or the result would not be a valid farm file; then
    nothing is written.
    """
    farm_toml = FarmFolder.at(folder).farm_toml
    farm = farm_file.load(farm_toml)
    if sniffed.name in farm.layouts:
        raise UserError(f"There is a layout '{sniffed.name}' already. Choose another with --name.")
    text = farm_toml.read_text(encoding="utf-8-sig").rstrip("\n") + "\n\n" + sniffed.toml
    source = _source(sniffed, [s.name for s in farm.stations], [p.name for p in farm.probes])
    if source and sniffed.name not in {s.name for s in farm.sources}:
        text += "\n" + source
    farm_file.parse(tomllib.loads(text), f"{farm_toml} with the layout '{sniffed.name}'")
    files.write_text(farm_toml, text)
    more = f" and a source '{sniffed.name}'" if source else ""
    return f"Wrote the layout '{sniffed.name}'{more} to {farm_toml}. Try it with: checkstrip try {folder}"


def _source(sniffed: Sniffed, stations: list[str], probes: list[str]) -> str:
    """A source that takes files like this one, where it is clear which instrument it is of."""
    kinds = {kind.value for kind in instruments(sniffed.proposal)}
    named = {"station": stations, "probe": probes}
    if not kinds or any(len(named[kind]) != 1 for kind in kinds):
        return ""
    lines = [
        "[[sources]]",
        f"name = {toml_value(sniffed.name)}",
        f"layout = {toml_value(sniffed.name)}",
    ]
    lines += [f"{kind} = {toml_value(named[kind][0])}" for kind in sorted(kinds)]
    return "\n".join([*lines, f"glob = {toml_value('*' + sniffed.file.suffix)}"]) + "\n"


def toml_layout(proposal: Proposal, name: str) -> str:
    """The layout as a TOML table ``[layouts.name]``, its open questions as comments beside the keys."""
    layout = dict(proposal.layout)
    columns = layout.pop("columns", {})
    lines = [f"[layouts.{toml_key(name)}]"]
    lines += [f"# CHECK {q.item}: {q.evidence}" for q in proposal.questions]
    lines += [f"{toml_key(k)} = {toml_value(v)}" for k, v in layout.items()]
    if columns:
        lines.append(f"[layouts.{toml_key(name)}.columns]")
        lines += [f"{toml_key(k)} = {toml_value(v)}" for k, v in columns.items()]
    if proposal.left_out:
        lines.append(f"# Left out: {', '.join(proposal.left_out)}"[:500])
    return "\n".join(line.replace("\n", " ") for line in lines) + "\n"


@dataclass(frozen=True, slots=True)
class _Named:
    """A file as if it lay in a source's folder."""

    kind: str
    folder: str
    name: str
    source: str | None = None


def of_farm(folder: FarmFolder) -> list[Neighbor]:
    """The stations whose rain is published, in steps of two hours or less; none is no mistake."""
    if published.newest(folder) is None:
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
            "Put it in first, or name a file whose layout is in farm.toml."
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
