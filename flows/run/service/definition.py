"""Define a service on any system: its name, what it runs, where its definition is."""

from __future__ import annotations

import hashlib
import re
import sys
from dataclasses import dataclass
from pathlib import Path, PurePath

from flows.base.errors import UserError
from flows.farm.folder import FarmFolder


@dataclass(frozen=True, slots=True)
class Service:
    """``checkstrip run`` of one farm folder. The name is plain ASCII and no other folder's."""

    name: str
    farm: str
    root: PurePath
    command: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Definition:
    """What is written where, and the system's own commands that take it on and off.

    ``more`` is what a person should know or may want to type besides.
    """

    path: Path
    content: bytes
    shown: str
    on: tuple[tuple[str, ...], ...]
    off: tuple[tuple[str, ...], ...]
    more: str


def service(folder: FarmFolder) -> Service:
    """Return the service of a farm folder; raises UserError if a definition cannot hold its path."""
    root = folder.root
    if re.search(r"[\x00-\x1f\x7f]", str(root)):
        raise UserError(f"{root!s} has a line break or another control character in its name.")
    words = re.sub(r"[^A-Za-z0-9]+", "-", root.name).strip("-").lower()
    mark = hashlib.sha256(str(root).encode()).hexdigest()[:8]
    name = "-".join(filter(None, ("checkstrip", words, mark)))
    return Service(name, root.name, root, (*_program(), "run", str(root)))


def _program() -> tuple[str, ...]:
    """Return how this installation is started, whatever the working directory or the search path."""
    python = Path(sys.executable)
    # Without a console window; nothing is printed then, and the log has it all.
    windowless = python.with_name("pythonw.exe")
    if windowless.is_file():
        python = windowless
    else:
        script = python.with_name("checkstrip")
        if script.is_file():
            return (str(script),)
    return (str(python), "-P", "-c", "from flows.cli import main; main()")
