"""Sniffs a file: reads it, proposes a layout, and writes it into a farm file when asked."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

from flows.base import files
from flows.base.errors import UserError
from flows.farm import farm_file
from flows.farm.folder import FarmFolder
from flows.setup.sniff import toml
from flows.setup.sniff.finding import CannotSniff, Proposal
from flows.setup.sniff.nearby_rain import of_farm, of_file
from flows.setup.sniff.propose import MOST_UNPACKED, instruments, propose


@dataclass(frozen=True, slots=True)
class Sniffed:
    """What a sniff says: the proposal, its name, and the TOML to paste."""

    proposal: Proposal
    name: str
    toml: str
    file: Path


def sniff(
    file: Path, folder: Path | None, name: str | None = None, beside: Path | None = None
) -> Sniffed:
    """A layout for a file, by the place of a farm folder if one is given; raises UserError.

    Stations of that farm, and another file ``beside`` it, tell by their rain how stamps are meant.
    """
    at = None if folder is None else FarmFolder.at(folder)
    farm = None if at is None else farm_file.load(at.farm_toml)
    place = None if farm is None else farm.place
    near = [] if beside is None else [of_file(beside, _bytes(beside), place, farm)]
    if at is not None and not near:
        near = of_farm(at)
    try:
        proposal = propose(_bytes(file), place, near)
    except CannotSniff as error:
        raise UserError(f"{file.name} cannot be made out. {error}") from None
    layout_name = name or re.sub(r"[^A-Za-z0-9_]+", "_", file.stem).strip("_").lower() or "layout"
    return Sniffed(proposal, layout_name, toml.text(proposal, layout_name), file)


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
    part = farm_toml.with_name("farm.sniffed.toml")
    files.write_text(part, text)
    try:
        farm_file.load(part)
    finally:
        part.unlink()
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
        f"name = {toml.value(sniffed.name)}",
        f"layout = {toml.value(sniffed.name)}",
    ]
    lines += [f"{kind} = {toml.value(named[kind][0])}" for kind in sorted(kinds)]
    return "\n".join([*lines, f"glob = {toml.value('*' + sniffed.file.suffix)}"]) + "\n"
