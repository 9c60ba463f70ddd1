"""When each STAC source was asked, and when it is due: what is remembered between runs."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from flows.base import files
from flows.farm.folder import FarmFolder
from flows.intake.sources.spans import instant
from schemas.farm.farm import Farm
from schemas.farm.images import ImageSource

MEMORY = "images_asked.json"  # of the state folder
Known = dict[str, str | None]
Memory = dict[str, Known]


def read(folder: FarmFolder) -> Memory:
    """Return what is remembered of each source by name."""
    return files.read_state(folder.state / MEMORY, Memory) or {}


def next_ask(source: ImageSource, known: Known, how: str | None = None) -> datetime:
    """Return when a source is due; at once if it was never asked, or for other outlines or bands."""
    asked = instant(known.get("asked"))
    if asked is None or (how is not None and known.get("how") != how):
        return datetime.min.replace(tzinfo=UTC)
    return asked + timedelta(hours=source.every_h)


def due(folder: FarmFolder, farm: Farm) -> list[datetime]:
    """Return when each source is due next."""
    memory = read(folder)
    return [next_ask(source, memory.get(source.name, {})) for source in farm.image_sources]
