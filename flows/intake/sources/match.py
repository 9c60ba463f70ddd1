"""Which source of farm.toml a delivery belongs to, and which instruments it is from.

Decided again whenever a delivery is read, so that a source fixed in farm.toml takes what it did
not match before.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cache
from typing import Protocol
from unicodedata import normalize

from flows.farm import farm_file
from flows.farm.instrument_names import InstrumentNames
from schemas.farm.farm import Farm, Source

PLACEHOLDER = re.compile(r"\{(station|probe)\}")


@dataclass(frozen=True, slots=True)
class Match:
    """A source, and the instruments that it or the file's name gives."""

    source: Source
    station: str | None
    probe: str | None
    setup: str


class Named(Protocol):
    """An arrival or a receipt: how it came (``kind``), where it lay, what it is called."""

    @property
    def kind(self) -> str: ...  # noqa: D102
    @property
    def folder(self) -> str: ...  # noqa: D102
    @property
    def name(self) -> str: ...  # noqa: D102
    @property
    def source(self) -> str | None: ...  # noqa: D102


def match(named: Named, farm: Farm, names: InstrumentNames) -> Match | None:
    """Return the first source that takes the file or response, or None."""
    for source in farm.sources:
        found = _instruments_named(named, source, names)
        if found is not None:
            instruments = {"station": source.station, "probe": source.probe} | found
            setup = farm_file.setup_fingerprint(farm, source.name)
            return Match(source, **instruments, setup=setup)
    return None


def unknown_name(named: Named, farm: Farm, names: InstrumentNames) -> str:
    """Return which instrument of a file's name farm.toml does not have; empty if that is not it."""
    for source in farm.sources:
        if named.kind == "http" or source.kind != "folder" or source.path != named.folder:
            continue
        hit = _hit(named, source)
        for kind, word in hit.groupdict().items() if hit else ():
            if names.named(kind, word) is None:
                return f"the {kind} {word}"
    return ""


def _hit(named: Named, source: Source) -> re.Match[str] | None:
    # a glob without a slash is about the file's own name, in whatever sub-folder it lies
    name = named.name if "/" in source.glob else named.name.rpartition("/")[2]
    return _pattern(source.glob).fullmatch(normalize("NFC", name))


def _instruments_named(
    named: Named, source: Source, names: InstrumentNames
) -> dict[str, str] | None:
    """Return the instruments that the name gives, or None if the source does not take the file."""
    if named.kind == "http":
        if source.kind != "http" or source.name != named.source:
            return None
        station = names.named("station", named.name.partition("?")[0])
        return {"station": station} if station and source.station is None else {}
    if source.kind != "folder" or source.path != named.folder:
        return None
    hit = _hit(named, source)
    if hit is None:
        return None
    found = {kind: names.named(kind, word) for kind, word in hit.groupdict().items()}
    known = {kind: name for kind, name in found.items() if name is not None}
    return known if len(known) == len(found) else None


@cache
def _pattern(glob: str) -> re.Pattern[str]:
    """Return a glob (``*``, ``?``, ``**/``, ``{station}``, ``{probe}``) as a pattern; case does not count.

    It is of composed letters: macOS gives names in parts, a letter and then its accent.
    """
    pattern = ""
    for part in re.split(r"(\*\*/|\*|\?|\{station\}|\{probe\})", normalize("NFC", glob)):
        pattern += {"**/": "(?:.*/)?", "*": "[^/]*", "?": "[^/]"}.get(part) or (
            f"(?P<{part[1:-1]}>[^/]+?)" if PLACEHOLDER.fullmatch(part) else re.escape(part)
        )
    return re.compile(pattern, re.IGNORECASE)
