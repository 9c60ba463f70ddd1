import re

import pytest
from typer.testing import CliRunner

from flows.cli import app
from flows.run import steps
from flows.trust.explain.file_lines import in_runs
from tests.flows.loggers import FARM, drop, make, row, usual


@pytest.mark.parametrize(
    ("lines", "said"),
    [
        ([], ""),
        ([4], "line 4"),
        ([2, 3, 4], "lines 2 to 4"),
        ([2, 3, 7, 9, 10], "lines 2 to 3, 7, 9 to 10"),
    ],
)
def test_runs(lines, said):
    assert in_runs(lines) == said


def explained(folder, *key):
    said = CliRunner().invoke(app, ["explain", str(folder.root), *key])
    assert said.exit_code == 0, said.exception
    return said.output


def test_a_days_readings_are_named_by_file_and_line(tmp_path):
    folder = make(tmp_path / "farm")
    # hours 1 to 72; line 1 is the heading, so hour h stands in line h + 1; one row is refused
    rows = [usual(h) for h in range(1, 73)]
    rows[29] = row(30, "x", "x", "x", "x")
    drop(folder, "a.csv", rows)
    steps.turn(folder)
    said = explained(folder, "weather_day", "west", "2020-06-02")
    # the day 2 June by the farm's clock is hours 25 to 48, stamped at their end
    assert "in lines 26 to 49 of the file" in said
    assert "line 31" in said  # what was left out

    # a file that grows is kept in pieces; lines are counted through
    path = folder.drop / "a.csv"
    path.write_text(path.read_text() + "\n".join(usual(h) for h in range(73, 97)) + "\n")
    steps.turn(folder)
    assert "in lines 74 to 97 of the file" in explained(folder, "weather_day", "west", "2020-06-04")


def test_of_several_stations_in_a_file_only_the_one_asked_about(tmp_path):
    changes = {
        'step = "1 h"': 'step = "1 h"\ninstrument_column = "id"',
        'station = "west"\nprobe = "deep"\n': "",
        "[[probes]]": """[[stations]]
name = "east"
ids = ["E1"]
spells = [{field = "North", strip = "check", from = 2020-01-01}]
[[probes]]""",
    }
    toml = re.sub(r'"S[12]" = .*\n', "", FARM)
    for of_one, of_several in changes.items():
        assert of_one in toml
        toml = toml.replace(of_one, of_several)
    folder = make(tmp_path / "farm", toml)
    lines = []
    for hour in range(1, 49):
        for name in ("W1", "E1"):
            stamp, rest = usual(hour).split(",", 1)
            lines.append(f"{stamp},{name},{','.join(rest.split(',')[:2])}")
    drop(folder, "a.csv", lines, heading="t,id,T,R")
    steps.turn(folder)
    said = explained(folder, "weather_day", "east", "2020-06-01")
    assert "in lines 3, 5, 7, 9, 11, 13 and" in said


def test_without_the_archive_it_tells_the_rest(tmp_path):
    folder = make(tmp_path / "farm")
    drop(folder, "a.csv", [usual(h) for h in range(1, 30)])
    steps.turn(folder)
    for file in folder.archive.glob("20*/*"):
        file.unlink()
    said = explained(folder, "weather_day", "west", "2020-06-01")
    assert "a.csv" in said
    assert "of the file" not in said
