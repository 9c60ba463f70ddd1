"""README, typed as a newcomer types it: every command that it names, in its order, in one folder."""

import re
import shlex
from pathlib import Path

import pytest

from tests.flows import fieldbooks
from tests.flows.cli.calling import call
from tests.flows.setup.add import exports

README = (Path(__file__).parents[1] / "README.md").read_text(encoding="utf-8")
NAMED = re.compile(r"`(checkstrip [^`]+)`|^(checkstrip [^#\n]+)", re.MULTILINE)
# What a person answers at the keyboard.
ANSWERED = {
    "new": [
        "--yes",
        "--time-zone",
        "America/Winnipeg",
        "--place",
        "49.5,-98",
        "--elevation",
        "250",
    ],
    "add": [
        *("--yes", "--clock=-06:00", "--stamp", "end", "--field", "Home", "--strip", "treated"),
    ],
}
# These change the computer or never end; they have tests of their own.
NOT_HERE = {"service", "run"}
# The station's files are of another year, so it is silent; nothing was harvested that year.
MAY_NEED_ATTENTION = {"status", "once", "audit", "inspect", "checksum", "rebuild"}


def commands():
    """The commands of README as words, in their order; those without a folder are named in passing."""
    for inline, alone in NAMED.findall(README):
        words = shlex.split(" ".join((inline or alone).split()))[1:]
        if words[0] not in NOT_HERE and ("my_farm" in words or "--reference" in words):
            yield words


def test_every_command_of_readme_does_what_it_is_named_for(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    disk = tmp_path / "backup disk"
    disk.mkdir()
    exports.comma_station(tmp_path / "north_station.csv")
    took, shown = [], {}
    for words in commands():
        name, *rest = (str(disk) if word.startswith("/media") else word for word in words)
        if "--undo" in rest:
            continue  # at the end
        if name == "restore":
            rest[-1] = "other_farm"
        code, out, err = call(capsys, monkeypatch, name, *rest, *took_answers(name, rest))
        assert code == 0 or (code == 1 and name in MAY_NEED_ATTENTION), (words, code, err)
        assert out.strip(), words
        took.append(name)
        shown[tuple(words)] = out
        if name == "add":
            Path("my_farm/fieldbook.xlsx").write_bytes(fieldbooks.workbook(fieldbooks.book()))
    assert {"new", "add", "sql", "once", "explain", "report", "digest", "restore"} <= set(took)
    assert "north station" in shown["sql", "my_farm", "FROM weather_day"]
    assert Path("other_farm/farm.toml").exists()
    assert list(Path("my_farm/reports").glob("*.xlsx"))
    code, out, _ = call(capsys, monkeypatch, "add", "--undo", "my_farm")
    assert (code, "north station" in out) == (0, True)


def took_answers(name, rest):
    """What is typed beside a command's words."""
    return [] if "--reference" in rest else ANSWERED.get(name, [])


@pytest.mark.parametrize("name", ["new", "add", "status", "report", "restore"])
def test_the_walk_sees_the_commands(name):
    assert name in {words[0] for words in commands()}
