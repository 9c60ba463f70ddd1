from datetime import datetime

import pytest
from typer.testing import CliRunner

from flows.base.errors import UserError
from flows.cli import app
from flows.farm import farm_file
from flows.intake import collect
from flows.setup.sniff import several, sniff_file
from flows.setup.sniff.propose import propose
from flows.store import warehouse
from schemas.farm.layout import Layout
from tests.flows.loggers import make
from tests.flows.setup.sniff.invented_exports import PLACE, asked, hours, text


def year(n, heading, *, first=2020, extra=(), preamble=""):
    rows = [
        (t, 15 + i % 9, 60 + i % 7, *extra) for i, t in enumerate(hours(n, datetime(first, 6, 1)))
    ]
    return preamble.encode() + text(heading, rows)


YEARS = {
    "2020.csv": year(60, "time,Air Temp (C),RH (%)"),
    "2021.csv": year(90, "time,AirT (C),RH (%),Batt (V)", first=2021, extra=(12.6,)),
    "2022.csv": year(70, "time,Air Temp (C),Humidity (%)", first=2022),
}


def joined(files):
    return several.joined({name: propose(data, PLACE) for name, data in files.items()})


def test_the_layout_reads_the_columns_of_all_years():
    layout = joined(YEARS).layout
    names = {n: {n, *rule.get("names", ())} for n, rule in layout["columns"].items()}
    assert {frozenset(group) for group in names.values()} == {
        frozenset({"AirT (C)", "Air Temp (C)"}),
        frozenset({"RH (%)", "Humidity (%)"}),
        frozenset({"Batt (V)"}),
    }
    assert layout["columns"]["Batt (V)"]["optional"]
    assert "optional" not in layout["columns"]["RH (%)"]
    Layout.model_validate(layout)


def test_the_order_of_the_files_does_not_matter():
    assert joined(YEARS).layout == joined(dict(reversed(YEARS.items()))).layout


def test_what_one_year_tells_is_not_asked_for_the_others():
    """A winter's temperatures may be in either unit; a summer's are not."""
    winter = text(
        "time,Air Temp", [(t, 8 + i % 9) for i, t in enumerate(hours(300, datetime(2020, 11, 5)))]
    )
    summer = text("time,Air Temp", [(t, 62 + i % 20) for i, t in enumerate(hours(290))])
    both = joined({"a": winter, "b": summer})
    assert both.layout["columns"]["Air Temp"]["unit"] == "degF"
    assert "columns.Air Temp.unit" in asked(joined({"a": winter}))
    assert "columns.Air Temp.unit" not in asked(both)


def test_years_whose_headings_begin_on_another_line():
    files = YEARS | {
        "2023.csv": year(50, "time,AirT (C),RH (%)", first=2023, preamble="Logger 7\nWest\n")
    }
    layout = joined(files).layout
    assert layout["header_starts"] == "time"
    assert "skip" not in layout


@pytest.mark.parametrize("key", ["delimiter", "step"])
def test_a_year_that_is_written_otherwise_is_asked_about(key):
    other = year(50, "time,AirT (C),RH (%)", first=2023)
    if key == "delimiter":
        other = other.replace(b",", b";")
    else:
        rows = [(t[:-2] + m, 15) for t in hours(60) for m in ("00", "15", "30", "45")]
        other = text("time,AirT (C)", rows)
    questions = asked(joined(YEARS | {"odd.csv": other}))
    assert "odd.csv has" in questions[key]


def test_written_the_layout_lands_all_years(tmp_path):
    folder = make(tmp_path / "farm")
    paths = []
    for name, data in YEARS.items():
        paths.append(tmp_path / name)
        paths[-1].write_bytes(data)
    command = ["sniff", *map(str, paths), "--write", str(folder.root), "--name", "office"]
    said = CliRunner().invoke(app, command).output
    assert "Wrote the layout 'office'" in said
    toml = folder.farm_toml.read_text().replace('glob = "*.csv"', 'glob = "hourly*.csv"', 1)
    folder.farm_toml.write_text(toml + "settle_s = 0\n")
    for path in paths:
        (folder.drop / path.name).write_bytes(path.read_bytes())
    collect.collect(folder)
    with warehouse.open_writer(folder) as con:
        landed = con.sql(
            "SELECT count(air_temp_c), count(relative_humidity_pct) FROM weather_reading"
        )
        assert landed.fetchall() == [(220, 220)]


def test_a_layout_that_the_farm_cannot_have_is_refused_by_its_own_name(tmp_path):
    folder = make(tmp_path / "farm")
    before = folder.farm_toml.read_bytes()
    path = tmp_path / "x.csv"
    path.write_bytes(YEARS["2020.csv"])
    sniffed = sniff_file.sniff(path, folder.root, "office")
    wrong = sniff_file.Sniffed(
        sniffed.proposal, sniffed.name, sniffed.toml.replace("percent", "furlong"), path
    )
    with pytest.raises(UserError, match=r"farm\.toml with the layout 'office' has a fault"):
        sniff_file.write(wrong, folder.root)
    assert folder.farm_toml.read_bytes() == before
    assert farm_file.load(folder.farm_toml)
