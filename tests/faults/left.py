"""What lies in a farm folder after a fault: nothing half under a whole name, nothing lost."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path


def halves(path: Path) -> list[str]:
    """What lies in a folder under a whole file's name and is not whole."""
    wrong = []
    for file in (path / "archive").glob("*/*"):
        if file.suffix == ".jsonl":
            try:
                [json.loads(line) for line in file.read_text().splitlines()]
            except ValueError:
                wrong.append(f"the receipts {file.name} are broken off")
        elif len(file.name) == 64 and hashlib.sha256(file.read_bytes()).hexdigest() != file.name:
            wrong.append(f"{file.name} in the archive has other bytes")
    for file in (path / "backups" / "objects").glob("*/*"):
        if len(file.name) == 64 and hashlib.sha256(file.read_bytes()).hexdigest() != file.name:
            wrong.append(f"{file.name} in the backup has other bytes")
    for file in (path / "digests").glob("*.html"):
        if not file.read_text().rstrip().endswith("</html>"):
            wrong.append(f"{file.name} is broken off")
    for file in [*(path / "state").rglob("*.json"), *(path / "backups").glob("*.json")]:
        try:
            json.loads(file.read_text())
        except ValueError:
            wrong.append(f"{file.name} is broken off")
    return wrong


def drops(path: Path) -> list[str]:
    """The bytes of all files that arrived, wherever below drop/ they lie."""
    files = [f for f in (path / "drop").rglob("*") if f.is_file()]
    return sorted(hashlib.sha256(f.read_bytes()).hexdigest() for f in files)


def pages(path: Path) -> dict[str, str]:
    """The digests' bytes."""
    files = (path / "digests").glob("[!.]*")
    return {f.name: hashlib.sha256(f.read_bytes()).hexdigest() for f in files}
