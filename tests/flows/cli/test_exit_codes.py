"""The exit codes that the help names, and what every command ends with."""

from __future__ import annotations

import shutil
import sys
from collections.abc import Callable

import pytest

from flows import cli
from flows.farm.folder import FarmFolder
from flows.run import steps
from flows.store import warehouse
from tests.faults import farms
from tests.flows.cli.calling import Run


def _entry(farm: FarmFolder) -> None:
    """A pass of a field that the book does not have."""
    passes = farm.fieldbook_dir / "passes.csv"
    passes.write_text(passes.read_text().replace("Home", "Hom"))


def _lost(farm: FarmFolder) -> None:
    """A file of the archive is gone, and no backup has it."""
    max(farm.archive.glob("2*/*"), key=lambda path: path.stat().st_size).unlink()
    shutil.rmtree(farm.backups)


def _backup(farm: FarmFolder) -> None:
    """A backup lacks what it lists."""
    for path in farm.backups.glob("objects/*/*"):
        if path.stat().st_size > 100_000:
            path.write_bytes(b"")


def _copy(farm: FarmFolder) -> None:
    """The published copy is empty."""
    farm.published_file.chmod(0o644)
    farm.published_file.write_bytes(b"")


def _warehouse(farm: FarmFolder) -> None:
    farm.warehouse_file.write_bytes(b"")


def _rows(farm: FarmFolder) -> None:
    """The warehouse lost rows, and nobody knows why."""
    with warehouse.open_writer(farm) as con:
        con.execute("DELETE FROM delivery WHERE sequence > 2")
        warehouse.changed(con)


def _newer(farm: FarmFolder) -> None:
    farms.put(farm, "east 5.csv", farms.text([farms.usual(farms.HOURS + 1)]), 20)
    steps.collect(farm)


def _scheduler(farm: FarmFolder) -> None:
    (farm.state / "prefect").write_text("a file where the scheduler has its folder")


def _unsure(farm: FarmFolder) -> None:
    (farm.root / "export.csv").write_text(
        "t,rain,air temp\n01/02/2021 03:00,0,7\n02/02/2021 03:00,1,8\n"
    )


def _outline(farm: FarmFolder) -> None:
    ring = "[[-98.01,49.5],[-98.0,49.5],[-98.0,49.507],[-98.01,49.507],[-98.01,49.5]]"
    (farm.root / "home.geojson").write_text(f'{{"type":"Polygon","coordinates":[{ring}]}}')


# Command, what happened before, and its words: each ends with 1.
ATTENTION: dict[str, tuple[Callable[[FarmFolder], None] | None, str]] = {
    "once": (_entry, "{farm}"),
    "collect": (_entry, "{farm}"),
    "derive": (_warehouse, "{farm}"),
    "publish": (_rows, "{farm}"),
    "rebuild": (_lost, "{farm}"),
    "run": (_scheduler, "{farm}"),
    "status": (_lost, "{farm}"),
    "inspect": (_lost, "{farm}"),
    "checksum": (_newer, "{farm}"),
    "try": (None, "{farm}"),  # notes.txt in its archive fits no source
    "add": (_unsure, "{farm} {farm}/export.csv --field Home --strip check --yes"),
    "sniff": (_unsure, "{farm}/export.csv"),
    "digest": (None, "{farm} --week 2021-W22 --send"),  # nobody listens at the server's port
    "audit": (_lost, "{farm}"),
    "backup": (_lost, "{farm}"),
    "restore": (_backup, "{farm}/backups {farm}/restored"),
    "service": (None, "install {farm}"),
    "sql": (_copy, "{farm} SELECT(1)"),
    "tables": (_copy, "{farm}"),
    "explain": (_copy, "{farm} weather_day west 2021-05-30"),
    "report": (_copy, "{farm}"),
    "year": (_copy, "{farm}"),
    "form": (_copy, "work {farm}"),
    "plan": (
        _outline,
        "{farm} Home --header 9m --outline {farm}/home.geojson --to /proc/nowhere/plan",
    ),
    "new": (None, "/proc/nowhere/farm"),
    "demo": (None, "/proc/nowhere/farm"),
}
# Each ends with 2.
MISTAKES = {
    "sniff": "{farm}/nowhere.csv",
    "restore": "{farm}/nowhere {farm}/restored",
    "service": "install {farm}/nowhere",
    "form": "passes {farm}/nowhere",
    "sql": "{farm}/nowhere SELECT(1)",
    "explain": "{farm}/nowhere weather_day",
    "plan": "{farm} Nowhere --header 9m",
    "new": "{farm}",
    "demo": "{farm}",
}


def _commands() -> set[str]:
    found = cli.app.registered_commands
    return {c.name or c.callback.__name__ for c in found if c.callback}


# Each exits 1 only for a damaged file, a full disk or the like, which `checkstrip --help` says.
NO_REASON_OF_THEIR_OWN = {
    "sql",
    "tables",
    "explain",
    "report",
    "year",
    "form",
    "plan",
    "new",
    "demo",
}


def test_every_command_is_tried() -> None:
    assert ATTENTION.keys() == _commands()


@pytest.mark.parametrize("command", sorted(_commands()))
def test_the_help_says_when_a_command_exits_1(run: Run, command: str) -> None:
    _, out, _ = run(command, "--help")
    assert ("xit 1 if" in " ".join(out.split())) == (command not in NO_REASON_OF_THEIR_OWN)


def test_the_help_of_all_names_the_three_codes(run: Run) -> None:
    _, out, _ = run("--help")
    text = " ".join(out.split())
    assert all(part in text for part in ("0 all is well", "1 something needs", "2 a mistake"))


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="needs /proc and no systemctl")
@pytest.mark.parametrize("command", ATTENTION)
def test_what_needs_attention_ends_with_1(
    farm: FarmFolder, run: Run, monkeypatch: pytest.MonkeyPatch, command: str
) -> None:
    before, words = ATTENTION[command]
    if before is not None:
        before(farm)
    if command == "service":  # so that nothing of this computer is touched
        monkeypatch.setenv("HOME", str(farm.root))
        monkeypatch.setenv("PATH", "")
        monkeypatch.delenv("XDG_CONFIG_HOME", raising=False)
    code, out, err = run(command, *words.format(farm=farm.root).split())
    assert code == 1, out + err
    assert len(out + err) > 40
    assert "Traceback" not in err and "fault of the program" not in err


@pytest.mark.parametrize("command", sorted(_commands()))
def test_a_mistake_ends_with_2_and_changes_nothing(
    farm: FarmFolder, run: Run, command: str
) -> None:
    words = MISTAKES.get(command, "{farm}/nowhere")
    before = {path: path.stat().st_mtime_ns for path in farm.root.rglob("*")}
    code, _, err = run(command, *words.format(farm=farm.root).split())
    assert code == 2, err
    assert err.strip()
    assert before == {path: path.stat().st_mtime_ns for path in farm.root.rglob("*")}


def test_a_field_book_with_faults_needs_attention_until_it_is_better(
    farm: FarmFolder, run: Run
) -> None:
    passes = farm.fieldbook_dir / "passes.csv"
    good = passes.read_text()
    _entry(farm)
    for _ in range(2):
        for command in ("once", "status"):
            code, out, _ = run(command, farm.root)
            assert code == 1
            assert "6 entries of the field book were rejected" in out
    passes.write_text(good.replace("2021", "2031"))  # no season of that year: no yield
    for command in ("once", "status"):
        code, out, _ = run(command, farm.root)
        assert code == 1
        assert "No yield is computed from 6 passes" in out
    passes.write_text(good)
    for command in ("once", "status"):
        code, out, _ = run(command, farm.root)
        assert code == 0, out
