"""Sentences: why no source takes a file, which source takes it before another could, what waits."""

from __future__ import annotations

import tempfile
from collections.abc import Iterable
from pathlib import Path

from flows.base.plain_text import counted
from flows.farm.folder import FarmFolder
from flows.farm.instrument_names import InstrumentNames
from flows.intake.sources import drop
from flows.intake.sources.match import Named, match
from schemas.did_you_mean import nearest
from schemas.farm.farm import Farm, Source

MOST_LOOKED_AT = 2000  # files, for sources that another stands before
MOST_LISTED = 5


def takes(source: Source) -> str:
    """Return a source with what it takes."""
    below = "" if source.path == "drop" else f" in {source.path}"
    return f"{source.name} ({source.glob}{below})"


def nearest_source(folder: str, name: str, farm: Farm) -> str:
    """Say which source comes nearest to a file that none takes."""
    known = [source for source in farm.sources if source.kind == "folder"]
    if not known:
        return "farm.toml has no source yet: 'checkstrip add FOLDER FILE' makes one"
    here = [source for source in known if source.path == folder] or known
    ending = name.rpartition(".")[2].casefold()
    alike = [s for s in here if s.glob.casefold().endswith(f".{ending}")] or here
    words = {source.glob: source for source in alike}
    best = nearest(name.rpartition("/")[2], words, likeness=0.0)
    return f"nearest: {takes(words[best[0]] if best else alike[0])}"


def not_taken(named: Iterable[Named], farm: Farm, names: InstrumentNames) -> list[str]:
    """Return a sentence for each file that no source takes; of many the first few."""
    lost = [n for n in named if n.kind == "file" and match(n, farm, names) is None]
    found = [
        f"No source takes {'' if one.folder == 'drop' else one.folder + '/'}{one.name}; "
        f"{nearest_source(one.folder, one.name, farm)}."
        for one in lost[:MOST_LISTED]
    ]
    more = len(lost) - MOST_LISTED
    return [*found, f"So with {more:,} more files."] if more > 0 else found


def taken_first(named: Iterable[Named], farm: Farm, names: InstrumentNames) -> list[str]:
    """Return a sentence for each source that gets nothing because another one stands before it."""
    own: set[str] = set()
    other: dict[str, tuple[str, str]] = {}
    alone = [
        (source, farm.model_copy(update={"sources": (source,)}))
        for source in farm.sources
        if source.kind == "folder"
    ]
    for _, one in zip(range(MOST_LOOKED_AT), named, strict=False):
        found = match(one, farm, names)
        if found is None or found.source.kind != "folder":
            continue
        own.add(found.source.name)
        for source, only in alone:
            also = source.name not in own and source.path == one.folder
            if also and match(one, only, names) is not None:
                other.setdefault(source.name, (one.name, found.source.name))
    return [
        f"The source {name} got nothing: another source took it first: {first}, which stands before "
        f"it in farm.toml, takes {file}. Give {first} a narrower glob, or put {name} first."
        for name, (file, first) in sorted(other.items())
        if name not in own
    ]


def waiting(folder: FarmFolder, farm: Farm) -> list[str]:
    """Say what lies in the drop folders and is not taken yet, and why. Nothing is changed."""
    names = InstrumentNames.of_farm(farm)
    with tempfile.TemporaryDirectory() as into:
        found = drop.find_settled(folder, farm, names, Path(into))
    ready = [a for a in found.arrivals if a.source is not None]
    number = f"{counted(len(ready), 'file')} {'waits' if len(ready) == 1 else 'wait'}"
    strangers = [a for a in found.arrivals if a.source is None]
    return [
        *found.notes,
        *([f"{number} for the next run: {', '.join(a.name for a in ready[:3])}."] if ready else []),
        *not_taken(strangers, farm, names),
        *taken_first(found.named, farm, names),
    ]
