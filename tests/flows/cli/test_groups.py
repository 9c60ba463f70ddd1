"""Groups of commands, and FOLDER left out inside a farm folder."""

from __future__ import annotations

import json
from itertools import chain
from pathlib import Path

import pytest

from flows.cli import app
from flows.cli.groups import GROUPS
from flows.farm.folder import FarmFolder
from tests.flows.cli.calling import Run


@pytest.fixture
def inside(farm: FarmFolder, monkeypatch: pytest.MonkeyPatch) -> FarmFolder:
    """A farm folder that is the current folder."""
    monkeypatch.chdir(farm.root)
    return farm


def test_every_command_is_in_one_group() -> None:
    known = [c.name or c.callback.__name__ for c in app.registered_commands if c.callback]
    known += [group.name for group in app.registered_groups]
    assert sorted(chain.from_iterable(GROUPS.values())) == sorted(known)


def test_no_help_line_is_cut_off(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    code, out, _ = run("--help")
    assert code == 0
    assert "..." not in out.partition("Start:")[2]
    assert "Shorten" not in out
    for heading, names in GROUPS.items():
        section = out.partition(f"{heading}:")[2].partition("\n\n")[0]
        lines = section.strip().splitlines()
        assert [line.split()[0] for line in lines] == list(names)


def test_alone_it_is_the_status_of_the_folder(inside: FarmFolder, run: Run) -> None:
    code, out, _ = run()
    assert (code, out.splitlines()[0]) == (
        run("status", inside.root)[0],
        run("status", inside.root)[1].splitlines()[0],
    )
    assert str(inside.root) in out


def test_alone_elsewhere_it_is_the_help(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    code, out, err = run()
    assert code == 2
    assert "Every day:" in out + err


@pytest.mark.parametrize(
    "words",
    [
        ("sql", "SELECT 1 AS one", "--csv"),
        ("sql", "--csv", "SELECT 1 AS one"),
        ("sql", "{farm}", "SELECT 1 AS one", "--csv"),
        ("sql", ".", "SELECT 1 AS one", "--csv"),
        ("tables", "weather_day"),
        ("tables", "{farm}", "weather_day"),
        ("explain", "weather_day", "west", "2021-05-30"),
        ("service", "show"),
        ("service", "show", "{farm}"),
        ("checksum", "--json"),
    ],
)
def test_the_folder_may_be_left_out_inside_it(
    inside: FarmFolder, run: Run, words: tuple[str, ...]
) -> None:
    code, out, err = run(*(word.format(farm=inside.root) for word in words))
    assert code == 0, err
    assert out.strip()


def test_a_word_too_many_is_still_a_mistake(inside: FarmFolder, run: Run) -> None:
    assert run("status", "nowhere")[0] == 2
    assert run("status", "--nothing")[0] == 2


@pytest.mark.parametrize(
    "words",
    [
        "status",
        "inspect",
        "checksum",
        "tables",
        "tables weather_day",
        "collect",
        "derive",
        "publish",
        "once",
        "rebuild",
        "audit",
        "backup",
        "explain weather_day west 2021-05-30",
        "digest --week 2021-W22",
        "report",
        "restore backups restored",
    ],
)
def test_json_is_one_document(inside: FarmFolder, run: Run, words: str) -> None:
    code, out, err = run(*words.split(), "--json")
    assert code in (0, 1), err
    found = json.loads(out)
    assert found
    plain_code, plain, _ = run(*words.replace("restored", "restored2").split())
    assert plain_code == code
    assert plain.strip() != out.strip()
