"""Escape sequences in names and cells, carried through all that is printed and logged."""

import os
import sys

import pytest

from tests.flows.cli.calling import call
from tests.flows.loggers import FARM, ask, make, row, usual

RED, TITLE = "\x1b[31m", "\x1b]0;gone\x07"
ESCAPES = (b"\x1b", b"\x07", b"\x9b", b"\r", "\x9b".encode(), "\u202e".encode())

pytestmark = pytest.mark.skipif(
    sys.platform == "win32", reason="such names cannot be given to a file there"
)


@pytest.fixture
def say(capsys, monkeypatch):
    """Run a command; its exit code, and the bytes of all that it prints."""

    def run(*words):
        code, out, err = call(capsys, monkeypatch, *words)
        assert "Traceback" not in err
        return code, (out + err).encode()

    return run


@pytest.fixture(scope="module")
def farm(tmp_path_factory):
    folder = make(tmp_path_factory.mktemp("farm") / "farm", FARM)
    lines = "\n".join(
        ["t,T,R,S1,S2", *(usual(h) for h in range(48)), row(50, RED, 0, 199, "x" + TITLE)]
    )
    (folder.drop / f"a{RED}{TITLE}.csv").write_text(lines + "\n", encoding="utf-8")
    (folder.drop / "b\u202evsc.csv\rpassed").write_text("not of a source\n", encoding="utf-8")
    (folder.drop / "c\x9b2J.csv").write_text(lines.replace("50", "51"), encoding="utf-8")
    for path in folder.drop.iterdir():
        os.utime(path, (1.6e9, 1.6e9))  # settled
    return folder


def test_no_command_and_no_log_passes_them_on(farm, say):
    code, said = say("collect", farm.root)
    assert code == 1, said  # rows and a file in quarantine
    told = [said]
    for words in (
        ("derive", farm.root),
        ("publish", farm.root),
        ("status", farm.root),
        ("inspect", farm.root),
        ("sql", farm.root, "FROM quarantine"),
        ("sql", farm.root, "SELECT name FROM delivery"),
        ("explain", farm.root, "weather_day", "west", "2020-06-02"),
        ("explain", farm.root, f"no{RED}table"),
        ("collect", farm.root.parent / f"no{TITLE}where"),
    ):
        told.append(say(*words)[1])
    told += [path.read_bytes() for path in farm.logs.rglob("*.log")]
    assert any(b"\\x1b[31m" in text for text in told[1:])
    for text in told:
        for escape in ESCAPES:
            assert escape not in text, text


def test_what_a_program_reads_is_as_it_was_written(farm, say):
    say("publish", farm.root)
    code, said = say("sql", farm.root, "SELECT name FROM delivery ORDER BY sequence", "--json")
    assert code == 0
    assert b"\\u001b" in said  # JSON's own escape


def test_a_name_in_no_known_encoding_stops_nothing(tmp_path, say):
    folder = make(tmp_path / "farm")
    (folder.drop / "a.csv").write_text("t,T,R,S1,S2\n" + usual(1) + "\n", encoding="utf-8")
    name = folder.drop / os.fsdecode(b"caf\xe9.csv")
    try:
        name.write_text("t,T,R,S1,S2\n" + usual(2) + "\n", encoding="utf-8")
    except OSError:
        pytest.skip("this disk takes names of UTF-8 only")
    code, said = say("collect", folder.root)
    assert (code, said.partition(b",")[0]) == (0, b"collect: 2 files: 2 new rows")
    assert ask(folder, "SELECT name FROM delivery ORDER BY name") == [("a.csv",), ("caf\\xe9.csv",)]
    code, said = say("collect", folder.root)
    assert (code, said) == (0, b"collect: Nothing new arrived.\n")
