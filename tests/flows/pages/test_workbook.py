"""The evidence as a workbook, read back by another library (calamine) than the one that writes it.

Factors: a bushel of wheat is 60 lb (27.2155 kg) and an acre 0.40469 ha (NIST Handbook 44, appendix C).
"""

from __future__ import annotations

import io
import re
import zipfile
from datetime import date

import polars as pl
import pytest
from python_calamine import CalamineWorkbook

from flows.base.errors import UserError
from flows.pages.report import write
from flows.pages.report.workbook import tables_of_evidence, workbook
from flows.store import answer
from schemas.catalogue import TABLES
from tests.flows.pages import farm
from tests.flows.pages.page_text import MADE_ON

BUSHEL_KG, ACRE_HA = 27.2155, 0.40468564


def sheets(content: bytes) -> dict[str, list[list[object]]]:
    book = CalamineWorkbook.from_filelike(io.BytesIO(content))
    return {name: book.get_sheet_by_name(name).to_python() for name in book.sheet_names}


@pytest.fixture(scope="module")
def book(tables) -> dict[str, list[list[object]]]:
    return sheets(workbook(tables, None, MADE_ON))


def column(sheet: list[list[object]], heading: str) -> list[object]:
    place = sheet[1].index(heading)
    return [row[place] for row in sheet[2:]]


def test_it_says_what_it_is_and_has_a_sheet_a_table_that_has_rows(book, tables):
    assert list(book)[:2] == ["about", "columns"]
    wanted = [t.name for t in tables_of_evidence() if tables(t.name).height]
    assert list(book)[2:] == wanted
    assert {"response", "payback", "strip_yield", "root_lead", "operation", "sensor"} <= set(wanted)
    assert not {"rain_day", "heat_day", "drawdown_week", "yield_point"} & set(wanted)
    about = book["about"]
    assert about[0][0] == "Invented Farm"
    assert "bushels and acres" in str(about[2][0])
    assert about[3][0] == "Evidence from one farm, not advice."
    assert ["response", TABLES["response"].row, 1] in about


def test_yields_and_money_are_in_the_reader_s_units(book, tables):
    (row,) = tables("response").to_dicts()
    found = column(book["response"], "response (bu/ac)")
    assert found == pytest.approx([row["response_kg_ha"] * ACRE_HA / BUSHEL_KG], rel=1e-6)
    assert column(book["response"], "response (%)") == pytest.approx([row["response_pct"]])
    (money,) = tables("payback").to_dicts()
    assert column(book["payback"], "cost (CAD/ac)") == pytest.approx(
        [money["cost_per_ha"] * ACRE_HA]
    )
    price = column(book["payback"], "price (CAD/bu)")
    assert price == pytest.approx([money["price_per_kg"] * BUSHEL_KG])
    assert column(book["payback"], "operation day") == [date(2023, 9, 20)]


def test_each_heading_has_its_meaning_above_it_and_is_listed_with_its_name(book):
    listed = {(row[0], row[1]): row[2:] for row in book["columns"][1:]}
    for name in list(book)[2:]:
        meanings, headings = book[name][:2]
        assert len(set(headings)) == len(headings) == len(TABLES[name].columns)
        for declared, heading, meaning in zip(
            TABLES[name].columns, headings, meanings, strict=True
        ):
            assert str(meaning).startswith(declared.meaning)
            assert listed[name, heading] == [declared.name, meaning]


def test_every_value_is_there(book, tables):
    """In SI nothing is converted, so that all rows can be compared whole."""
    si = tables.changed(lambda f: f.with_columns(units=pl.lit("metric")), "farm")
    for name, sheet in sheets(workbook(si, None, MADE_ON)).items():
        if name in ("about", "columns"):
            continue
        frame = tables(name)
        assert len(sheet) - 2 == frame.height
        for place, declared in enumerate(TABLES[name].columns):
            if declared.unit in ("", "1", "mm", "cm", "day", "percent"):
                found = [row[place] for row in sheet[2:]]
                _same(found, answer.for_spreadsheets(frame)[declared.name].to_list())


def _same(found: list[object], wanted: list[object]) -> None:
    empty = [one for one, value in zip(found, wanted, strict=True) if value is None]
    assert set(empty) <= {""}
    known = [(f, w) for f, w in zip(found, wanted, strict=True) if w is not None]
    for one, value in known:
        if isinstance(value, float):
            assert one == pytest.approx(value)
        else:
            assert one == value


def test_a_crop_without_a_bushel_puts_all_of_a_table_by_mass(tables):
    extra = tables("response").with_columns(crop=pl.lit("no such crop"), season=pl.lit(2023))
    given = tables.changed(lambda f: pl.concat([f, extra.cast(dict(f.schema))]), "response")
    found = column(sheets(workbook(given, None, MADE_ON))["response"], "response (lb/ac)")
    value = tables("response")["response_kg_ha"][0]
    assert found == pytest.approx([value / 0.45359237 * ACRE_HA] * 2, rel=1e-6)


@pytest.mark.parametrize(
    "name", ["=1+1", "+cmd|'/c calc'!A1", "@SUM(1)", "\t=1", '=HYPERLINK("x")']
)
def test_text_that_would_run_as_a_formula_is_text(tables, name):
    content = workbook(tables.with_field_named(name), None, MADE_ON)
    (found,) = {row[0] for row in sheets(content)["response"][2:]}
    assert str(found).startswith("'")
    parts = zipfile.ZipFile(io.BytesIO(content))
    for part in parts.namelist():
        if part.startswith("xl/worksheets/"):
            assert not re.search(rb"<f[ >]", parts.read(part)), part


def test_a_character_that_a_workbook_cannot_hold_is_spelled_out(tables):
    given = tables.with_field_named("No\x07rth")
    assert sheets(workbook(given, None, MADE_ON))["field"][2][0] == "No\\x07rth"


def test_a_year_has_its_rows_alone(tables):
    many = tables.with_many(fields=2, seasons=3)
    found = sheets(workbook(many, 2023, MADE_ON))
    assert set(column(found["response"], "season")) == {2023}
    assert len(column(sheets(workbook(many, None, MADE_ON))["response"], "season")) == 6
    assert "harvest 2023" in str(found["about"][1][0])


def test_it_is_saved_where_it_is_said(published, tmp_path):
    mine = farm.FarmFolder(tmp_path)
    mine.make()
    mine.published_file.hardlink_to(published.published_file)
    assert write.write_workbook(mine) == mine.reports / "evidence.xlsx"
    path = write.write_workbook(mine, 2024)
    assert path == mine.reports / "evidence-2024.xlsx"
    assert "response" in sheets(path.read_bytes())
    with pytest.raises(UserError, match="No field has a season 1999"):
        write.write_workbook(mine, 1999)
