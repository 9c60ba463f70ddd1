"""README's 'your own files in five minutes', step by step as it is written there."""

import os
from datetime import date, timedelta

from typer.testing import CliRunner

from flows.cli import app
from flows.farm.folder import FarmFolder
from tests.flows.loggers import ask

PLACE = """
[place]
latitude = 49.6
longitude = -97.2
elevation_m = 240
time_zone = "America/Winnipeg"
"""
STATION = """
[[stations]]
name = "home"
spells = [{ from = 2024-01-01 }]
"""


def run(*words, code=0):
    said = CliRunner().invoke(app, list(map(str, words)))
    assert said.exit_code == code, said.output
    return said.output


def test_your_own_files_in_five_minutes(tmp_path):
    root = tmp_path / "my_farm"
    run("new", root)
    toml = root / "farm.toml"
    text = toml.read_text(encoding="utf-8")
    start, end = text.index("[place]"), text.index("# Each weather station")
    toml.write_text(text[:start] + PLACE.strip() + "\n" + STATION + text[end:], encoding="utf-8")
    days = [date(2024, 5, 1) + timedelta(days=d) for d in range(60)]
    lines = [f"{d},{50 + i % 25},{0.3 * (i % 4 == 0):.2f}" for i, d in enumerate(days)]
    export = tmp_path / "export.csv"
    export.write_text("\n".join(["Date,Air Temp (°F),Rain (in)", *lines, ""]), encoding="utf-8")
    said = run("sniff", export, "--write", root)
    assert "Wrote the layout 'export' and a source 'export'" in said
    (root / "drop" / "export.csv").write_bytes(export.read_bytes())
    os.utime(root / "drop" / "export.csv", (1, 1))  # it settled long ago
    assert "60 rows would land, 0 be quarantined" in run("try", root)
    run("once", root)
    told = run(
        "sql", root, "SELECT count(*) AS n, round(sum(rain_mm), 1) AS mm FROM weather_day", "--csv"
    )
    assert told.splitlines() == ["n,mm", "60,114.3"]
    folder = FarmFolder.at(root)
    assert ask(folder, "SELECT count(*) FROM weather_day WHERE rain_mm IS NULL") == [(0,)]
