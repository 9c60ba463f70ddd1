"""Small files written so that a power cut leaves the old one or the new one."""

from __future__ import annotations

import json
import os
import sys
from contextlib import suppress
from pathlib import Path
from typing import Any


def write_text(path: Path, text: str) -> None:
    """Put ``text`` into a file, whole or not at all."""
    write_bytes(path, text.encode("utf-8"))


def write_bytes(path: Path, content: bytes) -> None:
    """Put ``content`` into a file, whole or not at all."""
    path.parent.mkdir(parents=True, exist_ok=True)
    part = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        with part.open("wb") as out:
            out.write(content)
            out.flush()
            os.fsync(out.fileno())
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)
    sync_folder(path.parent)


def read_json(path: Path) -> dict[str, Any]:
    """What a small state file says; empty where there is none or it is damaged."""
    with suppress(OSError, ValueError):
        found = json.loads(path.read_text(encoding="utf-8"))
        if isinstance(found, dict):
            return found
    return {}


def sync_folder(folder: Path) -> None:
    """Force the names in a folder to disk; Windows does so by itself."""
    if sys.platform == "win32":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
