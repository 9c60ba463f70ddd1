"""The faults people make in field books, and files that are broken or hostile."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Iterator
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from flows.base.errors import UserError
from flows.books import fieldbook
from flows.books.fieldbook import Problem
from schemas.fieldbook.sheets import SHEETS
from tests.flows.fieldbooks import GOOD, Sheets, book, read, rows_in, workbook

# --- bad books: one clear line each, nothing else lost ------------------------------------------


def bad_books() -> Iterator[Any]:
    def case(
        name: str, change: Any, cause: str, where: tuple[str, int, str], lost: dict[str, int]
    ) -> Any:
        return pytest.param(change, cause, where, lost, id=name)

    def missing_strip(b: Sheets) -> None:
        del b["strips"][2]

    def tenfold(b: Sheets) -> None:
        b["passes"][2][4] *= 10

    def tenfold_in_a_poor_year(b: Sheets) -> None:
        for row in b["passes"][1:]:
            row[4] /= 3
        b["passes"][2][4] *= 10

    def tenth(b: Sheets) -> None:
        b["passes"][2][4] /= 10

    def fraction(b: Sheets) -> None:
        b["passes"][3][7] = 0.14

    def twice(b: Sheets) -> None:
        b["passes"].append(list(b["passes"][4]))

    def backwards(b: Sheets) -> None:
        b["seasons"][1][3:] = [date(2021, 8, 28), date(2021, 5, 8)]

    def no_unit(b: Sheets) -> None:
        b["prices"][1][3] = None

    def one_side(b: Sheets) -> None:
        del b["passes"][4:]

    def strange_field(b: Sheets) -> None:
        b["costs"][1][0] = "Hoem"

    def strange_crop(b: Sheets) -> None:
        b["prices"][2][0] = "canolla"

    def plain_wheat(b: Sheets) -> None:
        b["prices"][1][0] = "wheat"

    def unknown_sheet(b: Sheets) -> None:
        b["operatoins"] = [["field"], ["Home"]]

    def unknown_column(b: Sheets) -> None:
        b["passes"][0][7] = "moistrue (%)"

    def bare_mass(b: Sheets) -> None:
        b["operations"][0][2] = "depth"

    def ambiguous_date(b: Sheets) -> None:
        b["operations"][1][1] = "5/6/2020"

    def word_for_number(b: Sheets) -> None:
        b["operations"][1][3] = "slow"

    def strange_season(b: Sheets) -> None:
        b["costs"][1][1] = 2019

    def deep(b: Sheets) -> None:
        b["operations"][1][2] = 350

    def other_money(b: Sheets) -> None:
        b["costs"][0][4] = "cost (EUR/ha)"

    def lonely_low(b: Sheets) -> None:
        b["prices"][0].append("low price")
        b["prices"][1].append(400)

    def wrong_year(b: Sheets) -> None:
        b["seasons"][2][1] = 2022

    yield case(
        "missing strip",
        missing_strip,
        "the field has no check strip",
        ("fields", 2, "field"),
        {"strip": 1},
    )
    yield case(
        "ten times too high",
        tenfold,
        "slip of unit or decimal",
        ("passes", 3, "mass (kg)"),
        {"harvest_pass": 1},
    )
    for name, change in (("poor year", tenfold_in_a_poor_year), ("ten times too low", tenth)):
        yield case(
            name,
            change,
            "slip of unit or decimal",
            ("passes", 3, "mass (kg)"),
            {"harvest_pass": 1},
        )
    yield case(
        "moisture as a fraction",
        fraction,
        "look like a fraction",
        ("passes", 4, "moisture (%)"),
        {"harvest_pass": 1},
    )
    yield case("same pass twice", twice, "stands already in row 5", ("passes", 8, ""), {})
    yield case(
        "season ends before it begins",
        backwards,
        "ends before it begins",
        ("seasons", 2, "harvested"),
        {"season": 1},
    )
    yield case(
        "price without a unit",
        no_unit,
        "the price has no unit",
        ("prices", 2, "price"),
        {"price": 1},
    )
    yield case(
        "one side only",
        one_side,
        "only one side was harvested",
        ("passes", 2, "strip"),
        {"harvest_pass": 3},
    )
    yield case(
        "field misspelt", strange_field, "field is not known", ("costs", 2, "field"), {"cost": 1}
    )
    yield case(
        "crop misspelt", strange_crop, "crop is not known", ("prices", 3, "crop"), {"price": 1}
    )
    yield case("which wheat", plain_wheat, "crop is not known", ("prices", 2, "crop"), {"price": 1})
    yield case("unknown sheet", unknown_sheet, "sheet is not known", ("operatoins", 0, ""), {})
    yield case(
        "unknown column", unknown_column, "column is not known", ("passes", 1, "moistrue (%)"), {}
    )
    yield case("depth without a unit", bare_mass, "names no unit", ("operations", 1, "depth"), {})
    yield case(
        "date read two ways",
        ambiguous_date,
        "could be exchanged",
        ("operations", 2, "day"),
        {"operation": 1},
    )
    yield case(
        "word for a number", word_for_number, "not a number", ("operations", 2, "speed (km/h)"), {}
    )
    yield case(
        "season not on its sheet", strange_season, "season is not on", ("costs", 2, "season"), {}
    )
    yield case(
        "deeper than can be", deep, "beyond what can be", ("operations", 2, "depth (cm)"), {}
    )
    yield case(
        "another money",
        other_money,
        "money is not the farm's",
        ("costs", 2, "cost (EUR/ha)"),
        {"cost": 1},
    )
    yield case("low above the price", lonely_low, "do not enclose", ("prices", 2, "low price"), {})
    yield case(
        "season of another year",
        wrong_year,
        "not the year of the harvest",
        ("seasons", 3, "season"),
        {"season": 1},
    )


@pytest.mark.parametrize(("change", "cause", "where", "lost"), list(bad_books()))
def test_a_bad_book_gives_one_line_and_loses_nothing_else(
    change: Any, cause: str, where: tuple[str, int, str], lost: dict[str, int]
) -> None:
    sheets = book()
    change(sheets)
    found = read(sheets, currency="CAD")
    assert len(found.problems) == 1, [p.sentence for p in found.problems]
    fault = found.problems[0]
    assert cause in fault.cause
    assert (fault.sheet, fault.row, fault.column) == where
    assert fault.expected
    assert rows_in(found) == {name: n - lost.get(name, 0) for name, n in GOOD.items()}


def test_the_sentence_of_a_fault() -> None:
    sheets = book()
    sheets["costs"][1][0] = "Hoem"
    assert [p.sentence for p in read(sheets).problems] == [
        "sheet costs, row 2, column field: the field is not known. Found 'Hoem'."
        " Expected Home. The row was left out."
    ]


def test_a_refused_season_is_one_fault_and_its_passes_stand() -> None:
    sheets = book()
    sheets["seasons"][1][3:] = [date(2021, 8, 28), date(2021, 5, 8)]
    sheets["passes"][0][4], sheets["passes"][0][5] = "yield (bu/ac)", "notes"
    for row in sheets["passes"][1:]:
        row[4], row[5] = 40, None
    found = read(sheets)
    assert [p.cause for p in found.problems] == ["the season ends before it begins"]
    assert found.frames["harvest_pass"]["yield_kg_ha"].to_list() == pytest.approx(
        [40 * 67.2511] * 6, rel=1e-5
    )


def test_a_refused_field_is_one_fault_though_other_sheets_name_it() -> None:
    sheets = book()
    sheets["fields"][2][2] = None
    found = read(sheets)
    assert [(p.sheet, p.row, p.column) for p in found.problems] == [("fields", 3, "practice")]
    assert rows_in(found) == GOOD | {"field": 1, "strip": 2, "season": 1}


def test_faults_of_all_sheets_stand_in_one_list() -> None:
    sheets = book()
    sheets["passes"][1][7] = 0.138
    sheets["prices"][2][3] = "furlong"
    sheets["operations"][1][1] = "sometime"
    causes = {p.sheet: p.cause for p in read(sheets).problems}
    assert causes == {
        "passes": "the per cent look like a fraction",
        "prices": "the unit is not known",
        "operations": "the date cannot be read",
    }


def test_a_left_out_pass_may_say_why_in_one_cell() -> None:
    sheets = book()
    sheets["passes"][0].append("left out")
    for row, said in zip(
        sheets["passes"][1:], ("no", None, "plugged header", "x", "N", False), strict=True
    ):
        row.append(said)
    found = read(sheets)
    assert found.problems == []
    passes = found.frames["harvest_pass"].sort("strip", "pass", descending=[True, False])
    assert passes["left_out"].to_list() == [False, False, True, True, False, False]
    assert passes["why_left_out"].to_list() == [None, None, "plugged header", None, None, None]


# --- files that are broken or hostile ------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "content", "cause"),
    [
        ("book.xlsx", b"not a workbook", "the workbook cannot be read"),
        ("book.xlsx", b"PK\x03\x04" + b"\0" * 50, "the workbook cannot be read"),
        ("book.xls", b"\xd0\xcf\x11\xe0", "the file is of a kind that is not read"),
        ("passes.csv", b"\0" * 30_000_000, "the file is too large"),
    ],
)
def test_a_file_that_is_no_book_is_one_fault(name: str, content: bytes, cause: str) -> None:
    found = fieldbook.tables_of({name: content})
    assert [(p.cause, p.extent) for p in found.problems] == [(cause, "book")]
    assert set(rows_in(found).values()) == {0}


def test_a_workbook_that_unpacks_to_far_too_much_is_refused_before_it_is_unpacked() -> None:
    out = io.BytesIO(workbook(book()))
    with zipfile.ZipFile(out, "a", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("xl/media/zeros.bin", b"\0" * 250_000_000)
    assert len(out.getvalue()) < 1_000_000
    found = fieldbook.tables_of({"book.xlsx": out.getvalue()})
    assert [p.cause for p in found.problems] == ["the workbook unpacks to too much"]


def changed_part(content: bytes, part: str, old: str, new: str) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(content)) as source, zipfile.ZipFile(out, "w") as target:
        for name in source.namelist():
            data = source.read(name)
            if name == part:
                assert old.encode() in data
                data = data.replace(old.encode(), new.encode(), 1)
            target.writestr(name, data)
    return out.getvalue()


def test_entities_in_a_workbook_are_refused() -> None:
    bomb = '<!DOCTYPE x [<!ENTITY a "aaaa"><!ENTITY b "&a;&a;&a;">]><worksheet'
    content = changed_part(workbook(book()), "xl/worksheets/sheet1.xml", "<worksheet", bomb)
    found = fieldbook.tables_of({"book.xlsx": content})
    assert [p.cause for p in found.problems] == ["the workbook cannot be read"]


def test_a_sheet_that_claims_a_million_rows_is_read_as_far_as_it_goes() -> None:
    content = changed_part(
        workbook(book()), "xl/worksheets/sheet5.xml", 'ref="A1:H7"', 'ref="A1:XFD1048576"'
    )
    found = fieldbook.tables_of({"book.xlsx": content})
    assert found.problems == []
    assert rows_in(found) == GOOD


def test_a_formula_is_never_run_and_without_a_stored_value_is_a_fault() -> None:
    sheets = book()
    sheets["passes"][1][4] = "=1300+1300"
    found = read(sheets)
    assert [(p.row, p.column, p.cause) for p in found.problems] == [
        (2, "mass (kg)", "a formula has no stored value")
    ]


def test_a_heading_without_a_unit_says_how_many_passes_it_costs() -> None:
    sheets = book()
    sheets["passes"][0][4] = "mass"
    (fault,) = [p for p in read(sheets).problems if p.cause == "the heading names no unit"]
    assert (fault.row, fault.rows) == (1, 6)
    assert fault.sentence.endswith("6 passes were left out.")
    del sheets["passes"][2:]
    (one,) = [p for p in read(sheets).problems if p.cause == "the heading names no unit"]
    assert one.sentence.endswith("1 pass was left out.")
    sheets = book()
    sheets["operations"][0][2] = "depth"
    (value,) = read(sheets).problems
    assert value.sentence.endswith("Its values were left out; 1 row was used without them.")


@pytest.mark.parametrize(
    ("heading", "expected"),
    [
        ("mass", "the number alone, and the unit in the heading: mass ("),
        ("mass (kg)", "the number alone: its unit is in the heading, mass (kg)"),
    ],
)
def test_a_unit_beside_the_number_is_answered_with_where_it_belongs(
    heading: str, expected: str
) -> None:
    sheets = book()
    sheets["passes"][0][4] = heading
    for row in sheets["passes"][1:]:
        row[4] = "57 bu/ac"
    faults = [p for p in read(sheets).problems if p.cause == "the unit does not fit"]
    assert len(faults) == 6
    assert faults[0].found == "'57 bu/ac'"
    assert faults[0].expected.startswith(expected)


def test_an_error_of_the_spreadsheet_is_a_fault() -> None:
    sheets = book()
    sheets["passes"][1][4] = "#DIV/0!"
    assert [(p.row, p.cause) for p in read(sheets).problems] == [(2, "the cell holds an error")]


def test_an_empty_book_and_a_missing_one(tmp_path: Path) -> None:
    assert set(rows_in(fieldbook.tables_of({})).values()) == {0}
    with pytest.raises(UserError, match="no field book"):
        fieldbook.read(tmp_path / "nowhere.xlsx")


@settings(max_examples=15, deadline=None)
@given(
    cells=st.lists(
        st.lists(st.one_of(st.none(), st.text(max_size=8), st.floats(), st.booleans()), max_size=6),
        max_size=6,
    )
)
def test_no_content_of_a_csv_raises(cells: list[list[Any]]) -> None:
    text = "\n".join(",".join("" if c is None else str(c) for c in row) for row in cells)
    names = [f"{sheet.name}.csv" for sheet in SHEETS]
    headings = {s.name: ",".join(h.name for h in s.headings) for s in SHEETS}
    files = {n: (headings[n[:-4]] + "\n" + text).encode("utf-8", "replace") for n in names}
    found = fieldbook.tables_of(files)
    assert all(isinstance(p, Problem) for p in found.problems)
