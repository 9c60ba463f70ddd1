"""Whatever became of the files that the program keeps for itself, every command does its work."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from flows.farm.folder import FarmFolder
from tests.faults import farms
from tests.faults.rest import flipped
from tests.flows.cli.calling import Run

# Each command on one farm, in this order; the long ones not with every damage.
COMMANDS = """
status {farm}
inspect {farm}
sql {farm} SHOW_TABLES
tables {farm}
checksum {farm}
explain {farm} weather_day west 2021-05-30
digest {farm} --week 2021-W22 --preview
digest {farm} --week 2021-W22
report {farm}
try {farm}
service show {farm}
audit {farm}
backup {farm}
once {farm}
collect {farm}
derive {farm}
publish {farm}
rebuild {farm}
restore {farm}/backups {farm}/restored
"""

LONG = ("audit", "backup", "rebuild", "restore", "report")


def _other_types(value: Any) -> Any:
    """The same shape with values of other types."""
    if isinstance(value, dict):
        return {key: _other_types(one) for key, one in value.items()}
    if isinstance(value, list):
        return dict(enumerate(map(_other_types, value)))
    return ["x"] if isinstance(value, str) else "x"


def _older(value: Any) -> Any:
    """The same with a name in each object that nobody knows now, and without its last one."""
    if not isinstance(value, dict):
        return value
    names = list(value)[:-1] if all(not isinstance(v, dict) for v in value.values()) else value
    return {"kept before": True} | {name: _older(value[name]) for name in names}


def _as_json(change: Callable[[Any], Any]) -> Callable[[bytes], bytes]:
    return lambda content: json.dumps(change(json.loads(content))).encode()


NOTES: dict[str, Callable[[bytes], bytes | None]] = {
    "absent": lambda _: None,
    "empty": lambda _: b"",
    "cut": lambda content: content[: len(content) // 2],
    "a list": lambda _: b"[1, 2]",
    "no text": lambda content: b"\xff\xfe\x00" + content,
    "values of other types": _as_json(_other_types),
    "entries that are numbers": _as_json(lambda value: dict.fromkeys(value, 5)),
    "of another program": _as_json(_older),
}


DATABASES: dict[str, Callable[[bytes], bytes]] = {
    "empty": lambda _: b"",
    "cut": lambda content: content[: len(content) // 2],
    "changed": flipped,
    "text": lambda _: b"no database",
}


def damage(folder: FarmFolder, change: Callable[[bytes], bytes | None], *kinds: str) -> int:
    """Change every file of these kinds in state/; return how many there are."""
    found = [path for kind in kinds for path in folder.state.rglob(kind) if path.is_file()]
    for path in found:
        changed = change(path.read_bytes())
        path.unlink() if changed is None else path.write_bytes(changed)
    return len(found)


@pytest.mark.parametrize("how", NOTES)
def test_notes_may_be_anything(
    sound: FarmFolder,
    farm: FarmFolder,
    how: str,
    run: Run,
) -> None:
    notes = {path.relative_to(sound.root) for path in sound.state.rglob("*.json")}
    assert {path.name for path in notes} >= {
        "last_runs.json",
        "seen.json",
        "books.json",
        "published.json",
        "backups.json",
    }
    for line in COMMANDS.strip().splitlines():
        if line.startswith(LONG) and how not in ("absent", "values of other types"):
            continue
        for note in notes:  # every command meets the damage, whatever the one before wrote
            shutil.copyfile(sound.root / note, farm.root / note)
        # Beside them may be runs that wait for the next writer.
        assert damage(farm, NOTES[how], "*.json") >= len(notes) > 5
        words = [word.format(farm=farm.root).replace("_TABLES", " TABLES") for word in line.split()]
        code, out, err = run(*words)
        # Of a sound farm too: nothing keeps it running, and one file in its archive fits no source.
        assert code == (words[0] in ("inspect", "try")), f"{line}: {out}{err}"
        assert "fault of the program" not in out + err
    assert farms.said(farm) == farms.said(sound)


@pytest.mark.parametrize("how", ["absent", "empty", "no text"])
def test_so_may_locks_and_logs(
    sound: FarmFolder,
    farm: FarmFolder,
    how: str,
    run: Run,
) -> None:
    for name in ("once", "status", "backup", "publish"):
        assert damage(farm, NOTES[how], "*.lock") or how == "absent"
        damage(farm, NOTES[how], "*.log")
        code, out, err = run(name, farm.root)
        assert code == 0, f"{name}: {out}{err}"
    assert farms.said(farm) == farms.said(sound)


@pytest.mark.parametrize("how", ["absent", "empty", "cut", "no text"])
def test_a_damaged_letter_is_named_and_made_again(
    farm: FarmFolder,
    how: str,
    run: Run,
) -> None:
    whole = {path.name for path in farm.state.rglob("*.eml")}
    assert damage(farm, NOTES[how], "*.eml") == len(whole) == 2
    code, out, _ = run("status", farm.root)
    assert code == 1
    assert out.count("is damaged and was not sent. Make it again with: checkstrip digest") == 2
    code, out, _ = run("digest", farm.root, "--week", farms.WEEK, "--send")
    assert code == 1  # nobody listens at the mail server's port
    assert "2 waiting" in out
    assert all(b"Message-ID" in path.read_bytes() for path in farm.state.rglob("*.eml"))
    assert "is damaged" not in run("status", farm.root)[1]


# The file, the command that makes it again, and those that read it.
FILES = {
    "warehouse_file": ("rebuild", "collect derive publish backup audit"),
    "published_file": ("publish", "status sql tables checksum explain report audit"),
}


@pytest.mark.parametrize("file", FILES)
@pytest.mark.parametrize("how", DATABASES)
def test_a_damaged_database_is_named_with_what_helps(
    sound: FarmFolder,
    farm: FarmFolder,
    file: str,
    how: str,
    run: Run,
) -> None:
    path: Path = getattr(farm, file)
    cure, commands = FILES[file]
    path.chmod(0o644)
    path.write_bytes(DATABASES[how](path.read_bytes()))
    more = {"sql": ["FROM kept.weather_reading"], "explain": ["weather_day", "west", "2021-05-30"]}
    said = {}
    for name in commands.split():
        code, out, err = run(name, farm.root, *more.get(name, []))
        said[name] = code
        assert "Traceback" not in err and "fault of the program" not in err
        if code:
            assert code == 1, f"{name}: {out}{err}"
            assert "is damaged" in out + err
            assert f"checkstrip {cure} {farm.root}" in out + err
    # A command that reads none of the changed bytes has nothing to say; the audit reads all.
    assert said["audit"] == 1
    if how != "changed":
        assert set(said.values()) == {1}
    code, out, err = run(cure, farm.root)
    assert code == 0, out + err
    assert farms.said(farm) == farms.said(sound)
