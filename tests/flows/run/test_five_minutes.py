"""README's 'your own files', step by step as it is written there."""

import os
from datetime import date, timedelta

from typer.testing import CliRunner

from flows.cli import app
from flows.farm.folder import FarmFolder
from tests.flows.loggers import ask

HEADING = "Date,Air Temp (°F),Rain (in)"


def run(*words, code=0):
    said = CliRunner().invoke(app, list(map(str, words)))
    assert code is None or said.exit_code == code, said.output
    return said.output


def lines(first, number):
    days = [first + timedelta(days=d) for d in range(number)]
    return [f"{d},{50 + i % 25},{0.3 * (i % 4 == 0):.2f}" for i, d in enumerate(days)]


def test_your_own_files(tmp_path):
    root = tmp_path / "my_farm"
    place = ["--place", "49.6,-97.2", "--time-zone", "America/Winnipeg"]
    run("new", root, "--yes", *place, "--elevation", "240 m")
    export = tmp_path / "north_station.csv"
    export.write_text("\n".join([HEADING, *lines(date(2024, 5, 1), 60), ""]), encoding="utf-8")
    said = run("add", root, export, "--yes")
    total = "SELECT count(*) AS n, round(sum(rain_mm), 1) AS mm FROM weather_day"
    assert run("sql", root, total, "--csv").splitlines() == ["n,mm", "60,114.3"]
    (name,) = [path.name for path in (root / "drop").iterdir() if path.is_dir()]
    assert f"drop/{name}" in said
    later = root / "drop" / name / "north_station July.csv"
    later.write_text("\n".join([HEADING, *lines(date(2024, 6, 30), 4), ""]), encoding="utf-8")
    assert "settling" in run("once", root, code=None)
    os.utime(later, (1, 1))  # it settled long ago
    run("once", root, code=None)
    assert run("sql", root, total, "--csv").splitlines() == ["n,mm", "64,121.9"]
    folder = FarmFolder.at(root)
    assert ask(folder, "SELECT count(*) FROM weather_day WHERE rain_mm IS NULL") == [(0,)]
    run("add", "--undo", root)
    assert run("sql", root, "SELECT count(*) AS n FROM weather_day", "--csv").split() == ["n", "0"]
