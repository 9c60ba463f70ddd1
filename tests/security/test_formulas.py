"""Text that a spreadsheet would run as a formula leaves as text."""

import csv
import io

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st
from typer.testing import CliRunner

from flows.cli import app
from flows.derive import derive
from flows.intake import collect
from flows.store import answer, publish, warehouse
from tests.flows.loggers import FARM, HEADING, make, row, usual

BEGINS = ("=", "+", "-", "@", "\t", "\r", " =", "\n=", "\uff1d")


def cells(frame):
    return list(csv.reader(io.StringIO(answer.to_csv(frame))))[1:]


@pytest.mark.parametrize("begin", BEGINS)
def test_a_formula_is_told_as_text(begin):
    payload = begin + 'cmd|"/c calc"!A1'
    ((told,),) = cells(pl.DataFrame({"name": [payload]}))
    assert told == "'" + payload


def test_numbers_and_plain_text_stay_as_they_are():
    frame = pl.DataFrame(
        {"n": [-1.5, 2.0], "t": ["-9999", "West - 2"], "s": ["+1.5", "a=b"], "i": [-3, 4]}
    )
    assert cells(frame) == [["-1.5", "-9999", "+1.5", "-3"], ["2.0", "West - 2", "a=b", "4"]]
    assert '"-9999"' in answer.to_json(frame)
    assert '"+1.5"' in answer.to_json(frame)


def test_lists_are_text_too():
    ((told,),) = cells(pl.DataFrame({"l": [["=1+1"]]}))
    assert not told.startswith("=")


@given(st.text(max_size=12))
def test_no_text_begins_a_formula(text):
    frame = pl.DataFrame({"t": [text]}, schema={"t": pl.String})
    told = cells(frame)
    cell = told[0][0] if told and told[0] else ""
    try:
        float(cell)
    except ValueError:
        assert not cell.startswith(("=", "+", "-", "@", "\t", "\r"))


def test_what_a_file_brought_in_leaves_harmless(tmp_path):
    name = '=HYPERLINK("x")'
    folder = make(tmp_path / "farm", FARM.replace('= "west"', f"= '{name}'"))
    bad = row(3, "@SUM(1+1)", 0, 0.31, 0.35)
    (folder.drop / "+1 evil.csv").write_text("\n".join([HEADING, usual(1), usual(2), bad, ""]))
    collect.collect(folder)
    with warehouse.open_writer(folder) as con:
        derive.derive(con)
    publish.publish(folder)
    for asked in ("SELECT station FROM weather_day", "SELECT found, raw, name FROM quarantine"):
        said = CliRunner().invoke(app, ["sql", str(folder.root), asked, "--csv"])
        assert said.exit_code == 0
        lines = list(csv.reader(io.StringIO(said.output)))[1:]
        assert lines
        assert not [c for line in lines for c in line if c.startswith(("=", "+", "@"))]
    words = ["sql", str(folder.root), "SELECT station FROM weather_day", "--json"]
    assert "=HYPERLINK" in CliRunner().invoke(app, words).output
