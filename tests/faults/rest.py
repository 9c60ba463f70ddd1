"""Damage at rest: each file of a farm folder lost, emptied, cut, changed or older, each command after it.

Of each kind of file one that matters most is damaged in a copy of a farm. Then a command runs on
that copy as a person calls it. What must hold:

- It ends with 0, 1 or 2 and says why in a sentence; no traceback, no fault of the program itself.
- The published copy loses no row, and the backup that was made before the damage stays whole.
- What holds data is seen by the audit at the latest (here it reads all files, not one day's share).
- The command that the documents name makes everything as it was, to the last bit.
"""

from __future__ import annotations

import json
import os
import shutil
import sys
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from tests.faults import farms, forked
from tests.faults.forked import Child, Ended
from tests.faults.table import Clock, Found

COMMANDS: dict[str, tuple[str, ...]] = {
    "status": ("status", "{farm}"),
    "once": ("once", "{farm}"),
    "audit": ("audit", "{farm}"),
    "backup": ("backup", "{farm}"),
    "rebuild": ("rebuild", "{farm}"),
    "restore": ("restore", "{farm}/backups", "{farm} restored"),
}
CURES: dict[str, tuple[tuple[str, ...], ...]] = {
    "once": (("once", "{farm}"),),
    "publish": (("publish", "{farm}"),),
    "rebuild": (("once", "{farm}"), ("rebuild", "{farm}")),
    "backup": (("backup", "{farm}", "--read-all"), ("once", "{farm}")),
}
PUBLISHING = ("once", "rebuild")
STORED = "stored as "
NEVER = ("Traceback", "A fault of the program itself", "Internal Error", "AssertionError")


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of file: which one is damaged, whether the audit must see it, and what cures it.

    Of files that match ``pattern`` the largest is damaged; ``stored as X`` is what the newest backup
    has under the path X.
    """

    name: str
    pattern: str
    cure: str
    seen: bool = False
    ways: tuple[str, ...] = ("absent", "emptied", "cut", "changed", "older")


KINDS = (
    Kind("warehouse", "warehouse/checkstrip.duckdb", "rebuild", seen=True),
    Kind(
        "its log", "warehouse/checkstrip.duckdb.wal", "rebuild", ways=("emptied", "cut", "changed")
    ),
    Kind("published copy", "warehouse/published/checkstrip.duckdb", "publish", seen=True),
    Kind("archived file", "archive/2*/*", "backup", seen=True),
    Kind("receipts", "archive/receipts/*.jsonl", "backup", seen=True),
    Kind("list of a backup", "backups/*Z*.json", "", seen=True),
    Kind("warehouse in a backup", "stored as warehouse/", "backup", seen=True),
    Kind("archived file in a backup", "stored as archive/2", "backup", seen=True),
    Kind("note of last runs", "state/last_runs.json", "once"),
    Kind("note of seen files", "state/seen.json", "once"),
    Kind("note of books", "state/books.json", "once"),
    Kind("note of the copy", "state/published.json", "once"),
    Kind("note of backups", "state/backups.json", "once"),
    Kind("letter", "state/outbox/*.eml", "once"),
    Kind("note of a letter", "state/outbox/*.json", "once"),
    Kind("lock", "state/writer.lock", "once"),
    Kind("log", "state/logs/checkstrip.log", "once"),
    Kind("digest", "digests/*.html", "once"),
    Kind("page of an audit", "audit/*.html", "once"),
)


def flipped(content: bytes) -> bytes:
    """Change a bit at seven places: some blocks of a database are free, and nobody reads them."""
    changed = bytearray(content)
    for part in range(1, 8) if content else ():
        changed[len(changed) * part // 8] ^= 0x10
    return bytes(changed)


def _absent(path: Path, _: Path) -> None:
    path.unlink()


def _emptied(path: Path, _: Path) -> None:
    _put(path, b"")


def _cut(path: Path, _: Path) -> None:
    content = path.read_bytes()
    _put(path, content[: len(content) // 2])


def _changed(path: Path, _: Path) -> None:
    _put(path, flipped(path.read_bytes()))


def _older(path: Path, older: Path) -> None:
    _put(path, older.read_bytes())


def _put(path: Path, content: bytes) -> None:
    """Change the bytes where they are, as a failing disk does; the name and the rights stay."""
    path.chmod(0o644)
    path.write_bytes(content)


DAMAGES: dict[str, Callable[[Path, Path], None]] = {
    "absent": _absent,
    "emptied": _emptied,
    "cut": _cut,
    "changed": _changed,
    "older": _older,
}


@dataclass(slots=True)
class Facts:
    """Rows of the published copy (null: it cannot be read), and whether each backup is whole."""

    published: int | None
    backups: dict[str, bool]


def make(root: Path) -> tuple[Path, Path]:
    """Return a farm with two backups, and a copy of it as it was at the first of them."""
    farm, older = root / "farm", root / "older"
    forked.run(lambda: _made(farm, first=True))
    forked.copied(farm, older)
    forked.run(lambda: _made(farm, first=False))
    return farm, older


def _made(path: Path, *, first: bool) -> None:
    from flows.farm import farm_file
    from flows.farm.folder import FarmFolder
    from flows.pages.digest import write
    from flows.pages.week import Week
    from flows.run import steps

    forked.few()
    if first:
        farms.make(path, port=9)
    folder = FarmFolder.at(path)
    if not first:
        farms.later(folder)
    steps.turn(folder)
    steps.turn(folder)  # a quiet one: what was rejected once is not news any more
    week = Week.named(farms.WEEK)
    write.write(folder, week, farm_file.load(folder.farm_toml).mail)
    steps.audit(folder)
    steps.publish(folder)
    steps.backup(folder)


def _leave_log(path: Path) -> None:
    """Leave the warehouse as a killed writer does, with a log beside it."""
    from flows.farm.folder import FarmFolder
    from flows.store import warehouse

    with warehouse.open_writer(FarmFolder.at(path)) as con:
        con.execute("CREATE TABLE IF NOT EXISTS unfinished AS FROM range(1000)")
        os._exit(0)


def call(farm: Path, words: tuple[str, ...]) -> Ended:
    """Run a command in a child; its value is the facts afterwards."""

    def work() -> None:
        from flows import cli
        from flows.trust import archive_check
        from flows.trust.backup import make as backups

        forked.few()
        archive_check.SHARES = backups.SHARES = 1  # all of it tonight
        sys.argv = ["checkstrip", *(word.format(farm=farm) for word in words)]
        cli.main()

    return Child(work).wait()


def facts(farm: Path) -> Facts:
    """Look at a folder afterwards; run it in a child."""
    import duckdb

    from flows.farm.folder import FarmFolder
    from flows.store import published
    from flows.store.backup_objects import Damaged
    from flows.trust.backup.backup_folder import Store

    folder = FarmFolder(farm)
    rows, path = None, published.newest(folder)
    try:
        with duckdb.connect(str(path), read_only=True) as con:
            tables = ("weather_reading", "soil_reading", "weather_day", "harvest_pass")
            counts = " + ".join(f"(SELECT count(*) FROM {name})" for name in tables)
            rows = con.sql(f"SELECT {counts}").fetchall()[0][0]
    except duckdb.Error:
        pass
    store, whole = Store(folder.backups), {}
    for one in store.backups()[0]:
        whole[one.name] = True
        for entry in one.files:
            try:
                store.check(entry)
            except (Damaged, OSError):
                whole[one.name] = False
    return Facts(rows, whole)


def run(n: int, root: Path, say: Callable[[str], None], only: str = "") -> Found:
    """Damage one file of each kind in each way, or ``n`` such cases by turns."""
    found = Found(
        "Damage at rest",
        "file | ways | commands | exit 0 | exit 1 | exit 2 | seen by the audit | cured by | cured",
    )
    farm, older = make(root)
    good: Any = forked.run(lambda: _said(farm))
    before: Any = forked.run(lambda: facts(farm))
    for name, words in COMMANDS.items():
        ended = call(_fresh(farm, root / "here"), words)
        if ended.code:
            found.wrong.append(
                f"{name} on a sound farm ends with {ended.code}: {ended.said[-600:]}"
            )
    named = [kind for kind in KINDS if kind.name == only]
    kinds = named or [kind for kind in KINDS if only in kind.name]
    cases = [(kind, way) for kind in kinds for way in kind.ways]
    chosen = cases if not n else cases[:: max(1, len(cases) // n)][:n]
    for kind in KINDS:
        tally: Counter[str] = Counter()
        for way in (way for one, way in chosen if one is kind):
            case = _Case(kind, way, farm, older, root / "here", before, good)
            if Clock.over() or not case.lay():
                continue
            tally["ways"] += 1
            for name, words in COMMANDS.items():
                code = case.check(name, words)
                tally[f"exit {code}"] += 1
                tally["seen"] += name == "audit" and code == 1
            tally["cured"] += case.check_cure()
            found.wrong += case.wrong
            say(f"{kind.name}, {way}, {len(found.wrong)} wrong")
        if ways := tally["ways"]:
            ends = [tally[f"exit {code}"] for code in (0, 1, 2)]
            cured = (" and ".join(w[0] for w in CURES.get(kind.cure, ())), tally["cured"])
            row = (kind.name, ways, ways * len(COMMANDS), *ends, tally["seen"])
            found.rows.append((*row, *(cured if kind.cure else ("the next backup", ""))))
    found.notes.append(
        "Seen by the audit: an older warehouse or published copy is whole, so the audit has nothing to "
        "see; the next run brings it up to date. Notes, locks, logs and pages only save work."
    )
    return found


def _said(path: Path) -> tuple[str, str]:
    from flows.farm.folder import FarmFolder

    return farms.said(FarmFolder.at(path))


def _fresh(farm: Path, here: Path) -> Path:
    """Return a copy of a farm folder; nothing is left of an earlier one, or restored beside it."""
    shutil.rmtree(f"{here} restored", ignore_errors=True)
    return forked.copied(farm, here)


def _file(folder: Path, pattern: str) -> Path:
    if pattern.startswith(STORED):
        newest = max((folder / "backups").glob("*Z*.json"))
        listed = json.loads(newest.read_text())["files"]
        inside = [one for one in listed if one["path"].startswith(pattern.removeprefix(STORED))]
        hashed: str = max(inside, key=lambda one: one["size"])["sha256"]
        return folder / "backups" / "objects" / hashed[:2] / hashed
    if pattern.endswith("Z*.json"):
        return max(folder.glob(pattern))
    return max(folder.glob(pattern), key=lambda path: (path.stat().st_size, path.name))


@dataclass(slots=True)
class _Case:
    """One damage of one file, laid into a fresh copy of the farm before each command."""

    kind: Kind
    way: str
    farm: Path
    older: Path
    here: Path
    before: Facts
    good: tuple[str, str]
    wrong: list[str] = field(default_factory=list)

    def lay(self) -> bool:
        """Damage the file in a fresh copy; false if that changes nothing."""
        _fresh(self.farm, self.here)
        if self.kind.pattern.endswith(".wal"):
            Child(lambda: _leave_log(self.here)).wait()
        if self.kind.name == "log":  # the farm was made without the command line, which writes it
            log = self.here / self.kind.pattern
            log.parent.mkdir(parents=True, exist_ok=True)
            log.write_text("2020-06-01 INFO a line of an earlier run\n")
        path = _file(self.here, self.kind.pattern)
        sound, older = path.read_bytes(), self.older / path.relative_to(self.here)
        if self.way == "older" and not older.is_file():
            return False
        DAMAGES[self.way](path, older)
        return not path.exists() or path.read_bytes() != sound

    def check(self, name: str, words: tuple[str, ...]) -> int:
        """Run a command on the damaged farm and hold it to the promises; return its exit code."""
        self.lay()
        ended = call(self.here, words)
        if ended.code not in (0, 1, 2) or any(words in ended.said for words in NEVER):
            self._note(name, f"ends with {ended.code} and says: {ended.said[-600:]}")
        elif ended.code and not ended.said.strip():
            self._note(name, f"ends with {ended.code} and says nothing")
        if name == "audit" and self.kind.seen and self.way != "older" and ended.code != 1:
            self._note(name, f"does not see it (exit {ended.code}): {ended.said[-300:]}")
        now: Any = forked.run(lambda: facts(self.here))
        own = self.kind.name == "published copy"
        if now.published != self.before.published and not (own and name not in PUBLISHING):
            self._note(name, f"published {now.published} rows of {self.before.published}")
        lost = [one for one in self.before.backups if not now.backups.get(one)]
        if lost and "backup" not in self.kind.name:
            self._note(name, f"left no whole backup of {', '.join(lost)}")
        return ended.code if ended.code in (0, 1, 2) else 1

    def check_cure(self) -> bool:
        """Do what the documents say; return whether all is as it was."""
        if not self.kind.cure:
            return False
        self.lay()
        last = [call(self.here, words) for words in CURES[self.kind.cure]][-1]
        if last.code:
            self._note("the cure", f"ends with {last.code}: {last.said[-600:]}")
            return False
        now: Any = forked.run(lambda: _said(self.here))
        audit = call(self.here, COMMANDS["audit"])
        restored = call(self.here, COMMANDS["restore"])
        if now != self.good:
            self._note("the cure", f"gives {now}, not {self.good}")
        if audit.code or restored.code:
            codes = f"audit with {audit.code} and restore with {restored.code}"
            self._note("the cure", f"ends {codes}: {audit.said[-300:]} {restored.said[-300:]}")
        return now == self.good and not audit.code and not restored.code

    def _note(self, name: str, what: str) -> None:
        self.wrong.append(f"{self.kind.name} {self.way}, {name}: {what}")
