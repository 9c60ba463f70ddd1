"""Names in letters that the code page of a Windows console lacks, printed and handed over."""

import csv
import io
import json
import os
import subprocess
import sys

import pytest

from flows.intake import collect
from flows.store import publish
from tests.flows.loggers import FARM, drop, make, usual

NAME = "Степь «Юг»"  # cp1252 lacks the letters and has the quotes


@pytest.fixture(scope="module")
def farm(tmp_path_factory):
    folder = make(tmp_path_factory.mktemp("page") / "farm", FARM.replace('"west"', f'"{NAME}"'))
    drop(folder, f"{NAME}.csv", [usual(1), "2020-06-01 02:00,Степь,0,0.3,0.3"])
    collect.collect(folder)
    publish.publish(folder)
    return folder


def call(*words):
    """A command in a process whose streams are of code page 1252; exit code, output, errors."""
    program = "import sys; from flows.cli import main; main()"
    done = subprocess.run(
        [sys.executable, "-c", program, *map(str, words)],
        env={**os.environ, "PYTHONIOENCODING": "cp1252", "PYTHONUTF8": "0"},
        stdin=subprocess.DEVNULL,
        capture_output=True,
        timeout=120,
        check=False,
    )
    return done.returncode, done.stdout, done.stderr


@pytest.mark.parametrize(
    "words",
    [
        ("status",),
        ("inspect",),
        ("sql", "FROM station_spell"),
        ("explain", "weather_day", NAME, "2020-06-09"),
    ],
)
def test_what_cannot_be_printed_is_spelled_out(farm, words):
    code, out, err = call(words[0], farm.root, *words[1:])
    said = (out + err).decode("cp1252")
    assert code in (0, 1, 2)
    assert "Error" not in said and "fault of the program" not in said
    assert "\\u0421\\u0442\\u0435\\u043f\\u044c" in said


def test_what_a_program_reads_is_utf_8_whatever_the_page(farm):
    query = f"SELECT DISTINCT station FROM weather_reading WHERE station = '{NAME}'"
    code, out, err = call("sql", farm.root, query, "--csv")
    assert (code, err) == (0, b"")
    assert list(csv.DictReader(io.StringIO(out.decode("utf-8")))) == [{"station": NAME}]
    code, out, _ = call("sql", farm.root, query, "--json")
    assert json.loads(out.decode("utf-8")) == [{"station": NAME}]
    code, out, _ = call("status", farm.root, "--json")
    assert NAME in str(json.loads(out.decode("utf-8")))
