"""The folder of a host: farm folders, and beside them what the host decides and what it remembers.

``hosting.toml`` makes each folder in it that has a farm.toml a hosted farm. ``state/`` is the host's: which
farm has which id, and the record of each round. A folder that is a link is no hosted farm.
"""

from __future__ import annotations

import json
import os
import re
import tomllib
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Literal

from pydantic import TypeAdapter

from flows.base import files
from flows.base.errors import UserError
from flows.farm import bounds
from schemas.farm.hosting import Hosting

_ID = re.compile(r"[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}")
_KEPT_ROUNDS = 100
_MOST_TOML = 4 << 20


@dataclass(frozen=True, slots=True)
class Farm:
    """A hosted farm: the name of its folder, and the id in its farm.toml if it has one."""

    name: str
    id: str | None


@dataclass(frozen=True, slots=True)
class Turn:
    """What became of one farm in one round.

    ``state``: quiet is nothing new, refused a farm that may not be run. ``cpu_s`` and ``peak_mb`` count
    the farm's own process, also if it was stopped.
    """

    round: str
    folder: str
    farm: str | None
    started_at: files.Stamp
    ended_at: files.Stamp
    state: Literal["quiet", "done", "attention", "failed", "refused"]
    summary: str
    worker: str
    program: str
    cpu_s: float = 0.0
    wall_s: float = 0.0
    peak_mb: float = 0.0


_TURN = TypeAdapter(Turn)
_TURNS = TypeAdapter(list[Turn])


@dataclass(frozen=True, slots=True)
class Host:
    """The folder of a host on this computer."""

    root: Path

    @classmethod
    def at(cls, root: Path) -> Host:
        """Return the host's folder; raise UserError if it has no hosting.toml."""
        host = cls(root.expanduser().resolve())
        if not host.file.is_file():
            raise UserError(
                f"{host.root} has no {bounds.NAME}. Write one (an empty file is enough) into the folder "
                "that holds the farm folders: then they are hosted, and confined to their own folders."
            )
        return host

    @property
    def file(self) -> Path:
        """What the host decides."""
        return self.root / bounds.NAME

    @property
    def state(self) -> Path:
        """What the host remembers."""
        return self.root / "state"

    def hosting(self) -> Hosting:
        """Return what the host decides; raise UserError if the file has a mistake."""
        return bounds.load(self.file)

    def farms(self) -> list[Farm]:
        """Return the hosted farms by name."""
        with os.scandir(self.root) as entries:
            names = [e.name for e in entries if e.is_dir(follow_symlinks=False)]
        there = (name for name in sorted(names) if os.path.lexists(self.root / name / "farm.toml"))
        return [Farm(name, _id_in(self.root / name / "farm.toml")) for name in there]

    def ended_of(self, number: str, folder: str) -> Turn | None:
        """Return how a farm ended in a round; None if it has not."""
        with suppress(OSError, ValueError):
            return _TURN.validate_json((self._round(number) / f"{folder}.json").read_bytes())
        return None

    def end(self, turn: Turn) -> Turn:
        """Record how a farm ended in a round, once: return what is recorded, ours or an earlier one."""
        folder = self._round(turn.round)
        folder.mkdir(parents=True, exist_ok=True)
        path, part = (
            folder / f"{turn.folder}.json",
            folder / f".{turn.folder}.{files.unique()}.part",
        )
        part.write_text(json.dumps(asdict(turn)), encoding="utf-8")
        try:
            os.link(part, path)  # fails if it is there: the first one stands
        except FileExistsError:
            return _TURN.validate_json(path.read_bytes())
        finally:
            part.unlink()
        return turn

    def close(self, number: str) -> list[Turn]:
        """Put a round's record into one file, and forget old ones; return its rows."""
        names = sorted(path.stem for path in self._round(number).glob("*.json"))
        found = (self.ended_of(number, name) for name in names)
        turns = [turn for turn in found if turn is not None]
        text = json.dumps([asdict(turn) for turn in turns], indent=1)
        files.write_text(self.state / "rounds" / f"{number}.json", text)
        for path in self._round(number).glob("*"):
            path.unlink(missing_ok=True)
        with suppress(OSError):
            self._round(number).rmdir()
        for old in sorted((self.state / "rounds").glob("*.json"))[:-_KEPT_ROUNDS]:
            old.unlink(missing_ok=True)
        return turns

    def last_round(self) -> list[Turn]:
        """Return the rows of the last round; none if there was none."""
        for path in sorted((self.state / "rounds").glob("*.json"), reverse=True):
            with suppress(OSError, ValueError):
                return _TURNS.validate_json(path.read_bytes())
        return []

    def _round(self, number: str) -> Path:
        return self.state / "rounds" / number

    def claimed(self, farms: Iterable[Farm]) -> dict[str, str]:
        """Return why a farm may not run under its id, by folder: the id is another folder's already.

        Whoever had an id first keeps it, so that a copied farm.toml takes nothing from its owner. An id
        is free again when its folder is gone, or has another one.
        """
        file = self.state / "farms.json"
        there = {farm.name: farm.id for farm in farms}
        before = files.read_state(file, dict[str, str]) or {}
        owners = {number: name for number, name in before.items() if there.get(name) == number}
        refused = {}
        for name, number in there.items():
            if number is not None and owners.setdefault(number, name) != name:
                refused[name] = (
                    f"Its id ({number}) is already that of the farm in the folder {owners[number]}. Give it one of its "
                    "own ([farm] id), or take the copy away."
                )
        if owners != before:
            files.write_text(file, json.dumps(owners, indent=1))
        return refused


def _id_in(file: Path) -> str | None:
    """Return the id in a farm.toml; None if it has none, or cannot be read (its turn will say so)."""
    try:
        if file.is_symlink() or file.stat().st_size > _MOST_TOML:
            return None
        farm = tomllib.loads(file.read_text(encoding="utf-8-sig")).get("farm", {})
        number = str(farm.get("id", "")).lower()
    except (OSError, ValueError, AttributeError, RecursionError):
        return None
    return number if _ID.fullmatch(number) else None
