"""A turn that finds nothing new is repeated without a look; whatever could make it find more is a look."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, Literal

import pytest

from flows.base import lock
from flows.base.errors import Busy
from flows.farm.folder import FarmFolder
from flows.run import quiet, steps
from flows.store import flow_runs
from tests.faults import farms, forked
from transforms import order

MAPS = "yieldmaps/Home 2021.csv"


@pytest.fixture(scope="module")
def away(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("away")


@pytest.fixture(scope="module")
def farm(tmp_path_factory: pytest.TempPathFactory, away: Path) -> Iterator[FarmFolder]:
    """A farm that has done everything; one of its sources lies outside of its folder."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(order, "DERIVED", forked.FEW)
        folder = farms.make(tmp_path_factory.mktemp("quiet") / "farm")
        toml = folder.farm_toml.read_text(encoding="utf-8")
        layout = toml.partition("[layouts.")[2].partition("]")[0]
        toml += f'\n[[sources]]\nname = "away"\nstation = "west"\nlayout = "{layout}"\npath = "{away}"\n'
        folder.farm_toml.write_text(toml, encoding="utf-8")
        steps.turn(folder)
        assert not (folder.state / "quiet.json").exists()  # it had much to do
        steps.turn(folder)
        yield folder


def left(folder: FarmFolder) -> quiet.Note:
    note = quiet.files.read_state(folder.state / "quiet.json", quiet.Note)
    assert note is not None
    return note


def test_it_says_what_the_turn_said_and_leaves_the_warehouse_alone(farm: FarmFolder) -> None:
    before = farm.warehouse_file.stat().st_mtime_ns
    page = (farm.root / "index.html").read_text(encoding="utf-8")
    told = {run.flow: (run.state, run.summary, run.notes) for run in left(farm).runs}
    now = datetime.now(UTC) + timedelta(minutes=3)
    again = quiet.again(farm, now)
    assert again is not None
    assert {run.flow: (run.state, run.summary, run.notes) for run in again} == told
    assert farm.warehouse_file.stat().st_mtime_ns == before
    assert {flow_runs.last(farm)[name].started_at for name in told} == {now.isoformat()}
    moved = (farm.root / "index.html").read_text(encoding="utf-8")
    made = f'data-made="{now.isoformat(timespec="seconds")}"'
    assert made in moved
    assert made not in page
    assert len(moved.splitlines()) == len(page.splitlines())


def test_a_whole_turn_finds_the_same(farm: FarmFolder) -> None:
    again = quiet.again(farm)
    whole = steps.turn(farm)
    assert again is not None
    assert [(r.flow, r.state, r.summary, r.notes) for r in again] == [
        (r.flow, r.state, r.summary, r.notes) for r in whole
    ]


@contextmanager
def changed(path: Path, change: Callable[[Path], object]) -> Iterator[None]:
    """Change a file (or make one), and put it back to the last bit and nanosecond."""
    old = path.read_bytes() if path.exists() else None
    stat = path.stat() if path.exists() else None
    above = path.parent.stat() if path.parent.exists() else None
    change(path)
    try:
        yield
    finally:
        if old is None or stat is None:
            path.unlink()
        else:
            path.write_bytes(old)
            os.utime(path, ns=(stat.st_atime_ns, stat.st_mtime_ns))
        if above is None:
            shutil.rmtree(path.parent)


def more(path: Path) -> None:
    path.parent.mkdir(exist_ok=True)
    with path.open("ab") as out:
        out.write(b"\n")


def touched(path: Path) -> None:
    os.utime(path, ns=(1, path.stat().st_mtime_ns + 1))


CHANGES: dict[str, tuple[str, Callable[[Path], object]]] = {
    "the set-up": ("farm.toml", more),
    "the field book": ("fieldbook/*.csv", touched),
    "a file has grown": ("drop/**/*.csv", more),
    "a new file": ("drop/new.csv", more),
    "a yield map": (MAPS, more),
    "a map of the ground": ("ground/clay.geojson", more),
    "normals": ("normals/table.csv", more),
    "an archived file is gone": ("archive/2*/*", Path.unlink),
    "receipts": ("archive/receipts/*", more),
    "the published copy is gone": ("warehouse/published/checkstrip.duckdb", Path.unlink),
    "the published copy is cut": ("warehouse/published/checkstrip.duckdb", more),
    "the warehouse": ("warehouse/checkstrip.duckdb", touched),
    "a note": ("state/seen.json", more),
    "a letter": ("state/outbox/x.eml", more),
    "the start page is gone": ("index.html", Path.unlink),
    "the start page is another": ("index.html", lambda path: path.write_text("mine")),
}


@pytest.mark.parametrize("name", CHANGES)
def test_whatever_changes_is_looked_at(farm: FarmFolder, name: str) -> None:
    pattern, change = CHANGES[name]
    found = sorted(path for path in farm.root.glob(pattern) if path.is_file())
    with changed(found[0] if found else farm.root / pattern, change):
        assert quiet.again(farm) is None
    assert quiet.again(farm) is not None


def test_a_file_elsewhere_and_a_folder_that_is_gone_are_looked_at(
    farm: FarmFolder, away: Path
) -> None:
    with changed(away / "new.csv", more):
        assert quiet.again(farm) is None
    assert quiet.again(farm) is not None
    away.rename(away.with_name("gone"))
    assert quiet.again(farm) is None
    away.with_name("gone").rename(away)


def test_a_folder_of_the_farm_that_is_a_link_is_followed(farm: FarmFolder, away: Path) -> None:
    maps = away.with_name("maps")
    maps.mkdir(exist_ok=True)
    farm.yield_maps.symlink_to(maps, target_is_directory=True)
    try:
        steps.turn(farm)
        steps.turn(farm)
        assert quiet.again(farm) is not None
        with changed(maps / "North 2021.csv", more):
            assert quiet.again(farm) is None
    finally:
        farm.yield_maps.unlink()
        steps.turn(farm)
        steps.turn(farm)


@pytest.mark.parametrize("state", ["done", "attention"])
def test_a_backup_is_neither_told_twice_nor_left_untried(
    farm: FarmFolder, monkeypatch: pytest.MonkeyPatch, state: Literal["done", "attention"]
) -> None:
    made = flow_runs.Run("backup", datetime.now(UTC).isoformat(), state=state)
    note = farm.state / "quiet.json"
    with changed(note, Path.unlink):
        monkeypatch.setattr(steps, "TURN", (*steps.TURN[:3], lambda *_: made))
        steps.turn(farm, steps=steps.TURN)
        assert not note.exists()
        note.touch()


def test_a_file_that_cannot_be_opened_is_tried_again(
    farm: FarmFolder, monkeypatch: pytest.MonkeyPatch
) -> None:
    locked = farm.drop / "locked.csv"
    locked.write_text("t\n")
    as_it_is = Path.open

    def open_(path: Path, *args: Any, **more: Any) -> Any:
        if path.name == locked.name:
            raise PermissionError(13, "in use")
        return as_it_is(path, *args, **more)

    with monkeypatch.context() as patch:
        patch.setattr(Path, "open", open_)
        said = steps.turn(farm)[0].notes
        steps.turn(farm)
        assert any("locked.csv cannot be opened" in sentence for sentence in said)
        assert quiet.again(farm) is None
    locked.unlink()
    steps.turn(farm)
    steps.turn(farm)
    assert quiet.again(farm) is not None


def test_time_ends_it(farm: FarmFolder) -> None:
    note = left(farm)
    made, until = (datetime.fromisoformat(t) for t in (note.made_at, note.until))
    assert timedelta() < until - made <= quiet.LONGEST
    assert quiet.again(farm, until) is None
    assert quiet.again(farm, made - timedelta(minutes=1)) is None  # a clock that was set back


def test_another_program_looks_itself(farm: FarmFolder, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(quiet, "VERSION", "another")
    assert quiet.again(farm) is None


@pytest.mark.parametrize("content", ["", "{", "[]", '{"runs": 3}'])
def test_a_damaged_note_is_none(farm: FarmFolder, content: str) -> None:
    with changed(farm.state / "quiet.json", lambda path: path.write_text(content)):
        assert quiet.again(farm) is None


def test_another_at_work_is_said(farm: FarmFolder) -> None:
    with lock.hold(farm.lock_file, "collecting"), pytest.raises(Busy):
        quiet.again(farm)


@pytest.mark.parametrize("settles", [0.0, 1.0])
def test_a_file_that_is_not_taken_yet_is_waited_for(farm: FarmFolder, settles: float) -> None:
    zone = steps.farm_file.load(farm.farm_toml).place.zone
    before = quiet.Before.of(farm, zone, map(Path, left(farm).elsewhere))
    note, seen = farm.state / "quiet.json", farm.state / "seen.json"
    runs, now = list(left(farm).runs), datetime.now(UTC)
    known = json.loads(seen.read_text()) | {"drop/half.csv": [9.0, 5.0, 5.0, settles]}
    with changed(note, touched), changed(seen, lambda path: path.write_text(json.dumps(known))):
        quiet.leave(farm, before, runs, now + timedelta(hours=1), now)
        assert note.exists() is bool(settles)
        note.touch()


def test_the_command_opens_nothing_heavy(farm: FarmFolder) -> None:
    told = (
        "import sys; sys.argv = ['checkstrip', 'once', sys.argv[1]]\n"
        "from flows.cli import main\n"
        "try: main()\n"
        "finally: print(sorted({'duckdb', 'polars', 'pint', 'prefect', 'jinja2'} & sys.modules.keys()))"
    )
    out = subprocess.run(
        [sys.executable, "-c", told, str(farm.root)], capture_output=True, text=True, check=False
    )
    lines = out.stdout.splitlines()
    assert lines[-1] == "[]", out.stdout + out.stderr
    assert lines[0].startswith("collect: Nothing new arrived.")
