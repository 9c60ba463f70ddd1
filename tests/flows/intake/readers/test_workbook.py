import io
import zipfile
from datetime import date, datetime, time

import openpyxl
import pytest

from flows.intake.readers.chunk import Unreadable
from tests.flows.intake.readers.reading import READ, chunks, layout, rows, zipped

TEXT = [["t", "T", "R"], ["2020-06-01 00:00", 1.5, 0.2], ["2020-06-01 01:00", -2, "0"]]


def book(rows, *, sheet="Data", extra=()):
    made = openpyxl.Workbook()
    made.active.title = sheet
    for row in rows:
        made.active.append(row)
    for name in extra:
        made.create_sheet(name, 0).append(["x"])
    out = io.BytesIO()
    made.save(out)
    return out.getvalue()


def test_a_sheet_of_text_and_numbers():
    assert rows(book(TEXT), layout(format="xlsx")) == READ


def test_the_sheet_is_named_and_its_preamble_passed_over():
    data = book([["logger 7"], [], *TEXT[:1], ["", "degC", "mm"], *TEXT[1:]], extra=["Cover"])
    rule = {"format": "xlsx", "sheet": "data", "after_header": 1}
    assert rows(data, layout(**rule, skip=2)) == READ
    assert rows(data, layout(**rule, header_starts="T")) == READ
    (chunk,) = chunks(data, layout(**rule, skip=2))
    assert chunk.frame["line"].to_list() == [5, 6]
    with pytest.raises(Unreadable, match="no such sheet"):
        rows(data, layout(format="xlsx", sheet="other"))


def test_true_dates_read_as_the_layout_writes_them():
    stamps = [datetime(2020, 6, 1, 0, 0), datetime(2020, 6, 1, 0, 59, 59, 999_600)]
    data = book([TEXT[0], [stamps[0], 1.5, 0.2], [stamps[1], -2, 0]])
    time_ = {"columns": ["t"], "offset": "Z"}
    assert [r[1:] for r in rows(data, layout(format="xlsx", time=time_))] == [r[1:] for r in READ]
    odd = {"columns": ["t"], "offset": "Z", "format": "%d/%m/%Y %H.%M"}
    got = rows(data, layout(format="xlsx", time=odd))
    assert [row[0] for row in got] == ["01/06/2020 00.00", "01/06/2020 01.00"]


def test_date_and_time_in_two_columns():
    data = book([["d", "h", "T", "R"], [date(2020, 6, 1), time(13, 30), 1.5, 0.2]])
    rule = layout(
        format="xlsx", time={"columns": ["d", "h"], "offset": "Z", "format": "%Y%m%d %H:%M"}
    )
    (chunk,) = chunks(data, rule)
    assert chunk.frame.select("time_0", "time_1").row(0) == ("20200601", "13:30")


def test_workbooks_in_a_zip_and_blank_rows():
    data = zipped({"a.xlsx": book(TEXT[:2]), "b.xlsx": book([TEXT[0], [], TEXT[2], [None, ""]])})
    assert rows(data, layout(format="xlsx")) == READ


def test_another_format_is_said():
    with pytest.raises(Unreadable, match="another format: found a workbook"):
        rows(book(TEXT), layout())
    with pytest.raises(Unreadable, match="not a workbook"):
        rows(b"t,T,R\n", layout(format="xlsx"))
    with pytest.raises(Unreadable, match="no such column"):
        rows(book([["x", "T"], [1, 2]]), layout(format="xlsx"))


def test_cells_of_another_row_in_a_row_are_damage():
    whole = book([*TEXT, ["2020-06-01 02:00", 7.5, 0], ["2020-06-01 03:00", 8.5, 0]])
    with zipfile.ZipFile(io.BytesIO(whole)) as parts:
        inside = {name: parts.read(name) for name in parts.namelist()}
    name = next(n for n in inside if n.endswith("sheet1.xml"))
    sheet = inside[name]
    start, end = sheet.index(b'<c r="B4"'), sheet.index(b'<c r="B5"')
    data = zipped(inside | {name: sheet[:start] + sheet[end:]})  # 8.5 under the stamp of 02:00
    with pytest.raises(Unreadable, match="damaged workbook"):
        rows(data, layout(format="xlsx"))
