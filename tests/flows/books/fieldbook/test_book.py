"""Field books as people write them."""

from __future__ import annotations

import io
from datetime import date
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from openpyxl import load_workbook

from flows.base.errors import UserError
from flows.books import fieldbook
from flows.books.fieldbook import units
from schemas import generated
from schemas.catalogue import TABLES
from tests.flows.fieldbooks import GOOD, book, read, rows_in, workbook


def test_a_good_book_has_no_faults_and_loses_nothing() -> None:
    found = read(book())
    assert found.problems == []
    assert rows_in(found) == GOOD
    for name, frame in found.frames.items():
        generated.check(TABLES[name]).validate(frame)
        assert frame.equals(frame.sort(TABLES[name].key))


def test_what_empty_cells_mean() -> None:
    frames = read(book()).frames
    work = frames["operation"].row(0, named=True)
    assert (work["strip"], work["practice"]) == ("treated", "deep tillage")
    assert work["fuel_l_ha"] == pytest.approx(20.0)  # 56 L on 2.8 ha
    assert frames["harvest_pass"]["method"].unique().to_list() == ["scale wagon"]
    assert frames["harvest_pass"]["block"].to_list() == frames["harvest_pass"]["pass"].to_list()
    assert frames["price"]["field"].unique().to_list() == ["all"]
    assert frames["cost"]["kind"].to_list() == ["other"]


# --- units, against published conversions -----------------------------------------------------


@pytest.mark.parametrize(
    ("heading", "unit", "premium"),
    [
        ("protein premium", "$/bu", 0.10 * 36.744 / 1000),  # bushels of wheat a tonne, as below
        ("protein premium ($/t)", "$/bu", 0.0001),
        ("protein premium", "$/t", 0.0001),
    ],
)
def test_a_protein_premium_is_by_mass_as_the_price(heading: str, unit: str, premium: float) -> None:
    sheets = book()
    sheets["prices"] = [
        ["crop", "season", "price", "unit", heading],
        ["spring wheat", 2021, 8.0, unit, 0.10],
    ]
    found = read(sheets)
    assert found.problems == []
    (row,) = found.frames["price"].to_dicts()
    assert row["protein_premium_per_kg"] == pytest.approx(premium, rel=2e-5)


def test_protein_of_a_pass() -> None:
    sheets = book()
    sheets["passes"][0].append("protein")
    for row in sheets["passes"][1:]:
        row.append("13.5 %")
    assert set(read(sheets).frames["harvest_pass"]["protein_pct"]) == {13.5}


@pytest.mark.parametrize(
    ("crop", "kg_ha"),
    # kg/ha for 1 bu/ac, from the bushel weights of the grain trade:
    # 60 lb 67.2511, 50 lb 56.0426, 48 lb 53.8009, 56 lb 62.7677, 34 lb 38.1089
    [
        ("spring wheat", 67.2511),
        ("soybean", 67.2511),
        ("canola", 56.0426),
        ("barley", 53.8009),
        ("corn", 62.7677),
        ("oats", 38.1089),
    ],
)
def test_bushels_an_acre_by_crop(crop: str, kg_ha: float) -> None:
    sheets = book()
    sheets["seasons"][1][2] = crop
    sheets["passes"] = [
        ["field", "season", "strip", "pass", "yield (bu/ac)", "moisture"],
        ["Home", 2021, "treated", 1, 40, 14],
        ["Home", 2021, "check", 1, 40, 14],
    ]
    found = read(sheets)
    assert found.problems == []
    yields = found.frames["harvest_pass"]["yield_kg_ha"]
    assert yields[0] / 40 == pytest.approx(kg_ha, rel=2e-6)


@pytest.mark.parametrize(
    ("price", "unit", "crop", "per_kg"),
    # bushels a tonne: wheat 36.744, canola 44.092, barley 45.930, corn 39.368 (CHECKS.md)
    [
        (10, "$/bu", "spring wheat", 10 * 36.744 / 1000),
        (10, "per bu", "canola", 10 * 44.092 / 1000),
        (10, "bu", "barley", 10 * 45.930 / 1000),
        (500, "cents/bu", "corn", 5 * 39.368 / 1000),
        (300, "CAD per tonne", "pea", 0.3),
        (300, "$ t-1", "pea", 0.3),
        (10, "$/cwt", "pea", 10 / 45.359237),
        (0.12, "$/lb", "lentil", 0.12 / 0.45359237),
    ],
)
def test_prices_by_mass(price: float, unit: str, crop: str, per_kg: float) -> None:
    sheets = book()
    sheets["prices"] = [["crop", "season", "price", "unit"], [crop, 2021, price, unit]]
    found = read(sheets, currency="CAD")
    assert found.problems == []
    assert found.frames["price"]["price_per_kg"][0] == pytest.approx(per_kg, rel=2e-5)
    assert found.frames["price"]["price_as_written"][0] == f"{price:g} {unit}"


def test_customary_units_of_an_operation() -> None:
    """NIST Special Publication 811: gal 3.785412 L, mi 1.609344 km, lbf 4.448222 N; acre of 4840 yd2 of 0.9144 m."""
    sheets = book()
    names = (
        "Field|date|Depth (in)|speed, mph|fuel (gal)|area (ac)|draft [lbf]"
        "|fuel price ($/gal)|machine cost ($/h)|labour ($/ac)|tractor hours"
    )
    operation = ["home ", "12 Oct 2020", 14, 4, 14, 7, 10000, 3.2, 150, 9, 1.5]
    sheets["operations"] = [names.split("|"), operation]
    found = read(sheets)
    assert found.problems == []
    work = found.frames["operation"].row(0, named=True)
    assert work["field"] == "Home"
    assert work["depth_cm"] == pytest.approx(35.56)
    assert work["speed_km_h"] == pytest.approx(6.437376)
    assert work["fuel_l_ha"] == pytest.approx(2 * 3.785412 / 0.40468564, rel=1e-6)
    assert work["draft_kn"] == pytest.approx(44.48222, rel=1e-6)
    assert work["fuel_price_per_l"] == pytest.approx(3.2 / 3.785412, rel=1e-6)
    assert (work["machine_cost_per_h"], work["machine_cost_per_ha"]) == (150, None)
    assert work["labour_cost_per_ha"] == pytest.approx(9 / 0.40468564, rel=1e-6)
    assert work["tractor_h"] == 1.5


def test_a_unit_in_the_cell_goes_before_the_heading() -> None:
    sheets = book()
    sheets["operations"][1][2] = "14 in"
    assert read(sheets).frames["operation"]["depth_cm"][0] == pytest.approx(35.56)


def test_a_percent_cell_of_a_spreadsheet_is_its_shown_value() -> None:
    content = load_workbook(io.BytesIO(workbook(book())))
    cell = content["passes"].cell(2, 8)
    cell.value, cell.number_format = 0.138, "0.0%"
    out = io.BytesIO()
    content.save(out)
    found = fieldbook.tables_of({"book.xlsx": out.getvalue()})
    assert found.problems == []
    first = found.frames["harvest_pass"].filter(
        (pl.col("strip") == "treated") & (pl.col("pass") == "1")
    )
    assert first["moisture_pct"][0] == pytest.approx(13.8)


# --- dates and decimals --------------------------------------------------------------------------


@pytest.mark.parametrize(
    "written",
    [
        *("2021-05-08", "2021/5/8", "20210508", "8 May 2021", "May 8, 2021", "8-May-21"),
        *("8.5.2021", "08.05.21", "Sat 8 May 2021", "2021-05-08 00:00:00", "8th may 2021"),
        date(2021, 5, 8),
    ],
)
def test_dates_that_can_be_read_one_way(written: Any) -> None:
    sheets = book()
    sheets["seasons"][1][3] = written
    found = read(sheets)
    assert found.problems == []
    assert found.frames["season"]["seeded"][0] == date(2021, 5, 8)


@pytest.mark.parametrize(
    ("other", "expected"), [("14/5/2021", date(2021, 5, 8)), ("5/14/2021", date(2021, 8, 5))]
)
def test_one_date_of_a_column_shows_how_the_others_read(other: str, expected: date) -> None:
    sheets = book()
    sheets["seasons"][1][3], sheets["seasons"][2][3] = "8/5/2021", other
    found = read(sheets)
    assert found.problems == []
    assert found.frames["season"]["seeded"][0] == expected


def test_a_setting_settles_dates_that_nothing_else_settles() -> None:
    sheets = book()
    sheets["operations"][1][1] = "5/6/2020"
    assert read(sheets, day_first=True).frames["operation"]["day"][0] == date(2020, 6, 5)
    assert read(sheets, day_first=False).frames["operation"]["day"][0] == date(2020, 5, 6)


def test_impossible_dates_are_faults() -> None:
    sheets = book()
    sheets["operations"][1][1] = "31/02/2020"
    assert [p.cause for p in read(sheets).problems] == ["the date cannot be read"]


@pytest.mark.parametrize(
    ("depth", "speed", "cm"),
    [
        ("35,5", "6,5", 35.5),
        ("35.5", "6.5", 35.5),
        ("35,500", "6,5", 35.5),
        ("35,500", "6.5", None),
    ],
)
def test_decimal_marks_are_known_by_the_rest_of_the_sheet(
    depth: str, speed: str, cm: float | None
) -> None:
    sheets = book()
    sheets["operations"][1][2:4] = [depth, speed]
    assert read(sheets).frames["operation"]["depth_cm"][0] == cm


def test_a_number_that_could_be_read_two_ways_is_a_fault() -> None:
    sheets = book()
    sheets["passes"][1][4] = "2,600"
    found = read(sheets)
    assert [(p.row, p.cause) for p in found.problems] == [
        (2, "comma or point could be decimal or thousands")
    ]


@pytest.mark.parametrize(
    ("cell", "kg"),
    [
        ("1,250.5", 1250.5),
        ("1.250,5", 1250.5),
        ("12,345,678.5", 12345678.5),
        ("1,00,000.5", 100000.5),  # as lakhs are parted
        ("1.5.2", None),
        ("1,25,50", None),
        ("12.5,3.1", None),
        ("1,2345.6", None),
    ],
)
def test_a_mark_that_parts_no_thousands_makes_no_number(cell: str, kg: float | None) -> None:
    assert units.value(cell, units.decimal_mark(cell)) == kg
    assert units.value(cell, ".") in (kg, None)


# --- the same book in any dress ------------------------------------------------------------------

MONTHS = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"]
DATES = {
    "iso": lambda d: d.isoformat(),
    "words": lambda d: f"{d.day} {MONTHS[d.month - 1]} {d.year}",
    "american words": lambda d: f"{MONTHS[d.month - 1]} {d.day}, {d.year}",
    "dots": lambda d: f"{d.day:02d}.{d.month:02d}.{d.year}",
    "day first": lambda d: f"{d.day}/{d.month}/{d.year}",
    "month first": lambda d: f"{d.month}/{d.day}/{d.year}",
}
LENGTHS = {"m": 1.0, "ft": 0.3048, "feet": 0.3048}
MASSES = {"kg": 1.0, "lb": 0.45359237, "t": 1000.0, "lbs": 0.45359237}


@st.composite
def styles(draw: st.DrawFn) -> dict[str, Any]:
    return {
        "date": draw(st.sampled_from(sorted(DATES))),
        "length": draw(st.sampled_from(sorted(LENGTHS))),
        "mass": draw(st.sampled_from(sorted(MASSES))),
        "bracket": draw(st.sampled_from(["{} ({})", "{} [{}]", "{}, {}", " {}  ( {} )"])),
        "case": draw(st.sampled_from([str.lower, str.upper, str.title])),
        "comma": draw(st.booleans()),
        "delimiter": draw(st.sampled_from([",", ";", "\t"])),
        "encoding": draw(st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "cp1252"])),
        "blank": draw(st.booleans()),
        "title": draw(st.booleans()),
        "newline": draw(st.sampled_from(["\n", "\r\n"])),
    }


passes_ = st.lists(
    st.tuples(
        st.integers(2000, 3500), st.integers(500, 900), st.integers(70, 100), st.integers(90, 220)
    ),
    min_size=1,
    max_size=4,
)


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(style=styles(), rows=passes_, name=st.sampled_from(["Home", "Großer Acker", "Côte 2"]))
def test_a_book_reads_the_same_however_it_is_written(
    style: dict[str, Any], rows: list[tuple[int, int, int, int]], name: str
) -> None:
    def number(value: float) -> str:
        text = f"{value:.5f}"  # five decimals: no thousands could look so
        return f'"{text.replace(".", ",")}"' if style["comma"] else text

    def heading(word: str, unit: str = "") -> str:
        text = style["case"](word) if not unit else style["bracket"].format(word, unit)
        return f'"{text}"' if style["delimiter"] in text else text

    def written(day: date) -> str:
        text = DATES[style["date"]](day)
        return f'"{text}"' if style["delimiter"] in text else text

    # both strips the same, so that nothing is one-sided; the 28th says which way round days stand
    data = [
        (strip, n, date(2021, 8, 28 if n == 0 else 5 + n), *row)
        for strip in ("treated", "check")
        for n, row in enumerate(rows)
    ]
    shown_name = name if name == "Großer Acker" else style["case"](name)
    lines = [
        [
            *map(heading, ("field", "season", "strip", "pass", "day")),
            heading("mass", style["mass"]),
            *(heading(side, style["length"]) for side in ("length", "width")),
            heading("moisture", "%"),
        ],
        *[
            [
                *(shown_name, "2021", style["case"](strip), str(n), written(day)),
                number(mass / MASSES[style["mass"]]),
                *(number(m / LENGTHS[style["length"]]) for m in (length, width / 10)),
                number(moisture / 10),
            ]
            for strip, n, day, mass, length, width, moisture in data
        ],
    ]
    if style["blank"]:
        lines.insert(1, [""] * 9)
        lines.append([" "] * 9)
    if style["title"]:
        lines.insert(0, ["Passes of 2021", *[""] * 8])
    text = style["newline"].join(style["delimiter"].join(line) for line in lines)
    fixed = {
        "fields.csv": f"field,practice\n{name},deep tillage\n".encode(),
        "strips.csv": f"field,strip\n{name},treated\n{name},check\n".encode(),
        "seasons.csv": f"field,season,crop,seeded,harvested\n{name},2021,spring wheat,2021-05-08,2021-08-29\n".encode(),
    }
    found = fieldbook.tables_of({**fixed, "passes.csv": text.encode(style["encoding"])})
    assert found.problems == []
    got = found.frames["harvest_pass"].sort("strip", "pass", descending=[True, False])
    assert got["field"].unique().to_list() == [name]
    assert got["day"].to_list() == [d[2] for d in data]
    for column, place, scale in (
        ("mass_kg", 3, 1),
        ("length_m", 4, 1),
        ("width_m", 5, 10),
        ("moisture_pct", 6, 10),
    ):
        assert got[column].to_list() == pytest.approx([d[place] / scale for d in data], abs=1e-2)


# --- the blank book ------------------------------------------------------------------------------


@pytest.mark.parametrize("units", ["metric", "us", "canada"])
def test_the_blank_book_reads_as_empty_and_its_examples_are_good_rows(
    tmp_path: Path, units: Any
) -> None:
    path = tmp_path / "fieldbook.xlsx"
    fieldbook.write_blank(path, units)
    blank = fieldbook.read(path)
    assert blank.problems == []
    assert set(rows_in(blank).values()) == {0}
    filled = load_workbook(path)
    for page in filled:
        page.cell(2, 1).value = "North"
        assert all(page.cell(1, c).comment for c in range(1, page.max_column + 1))
    filled.save(path)
    found = fieldbook.read(path)
    assert {p.cause for p in found.problems} == {
        "the field has no check strip",
        "only one side was harvested",
    }
    assert set(rows_in(found).values()) == {1}


def test_the_blank_book_never_overwrites_one(tmp_path: Path) -> None:
    path = tmp_path / "fieldbook.xlsx"
    path.write_bytes(b"the only copy")
    with pytest.raises(UserError, match="not overwritten"):
        fieldbook.write_blank(path)
    assert path.read_bytes() == b"the only copy"


def test_a_folder_of_csv_files_and_the_lock_file_beside_it(tmp_path: Path) -> None:
    for name, rows in book().items():
        lines = [",".join("" if c is None else str(c) for c in row) for row in rows]
        (tmp_path / f"{name.title()}.csv").write_text("\n".join(lines), encoding="utf-8")
    (tmp_path / "~$passes.csv").write_bytes(b"\x05user")
    found = fieldbook.read(tmp_path)
    assert found.problems == []
    assert rows_in(found) == GOOD


# --- planned crops ----------------------------------------------------------------------------


def planned(*cells: object) -> tuple[list[dict[str, object]], list[str]]:
    """The rows of ``planned_season`` that one row of the sheet gives, and the causes of faults."""
    sheets = book()
    heads = ["field", "season", "crop", "yield", "price", "unit", "low price", "high price"]
    sheets["plans"] = [[*heads, "work before"], ["Home", 2022, *cells]]
    sheets["plans"][0][3] = "yield (bu/ac)"
    found = read(sheets)
    return found.frames["planned_season"].to_dicts(), [p.cause for p in found.problems]


def test_a_planned_crop_has_yield_and_price_by_mass() -> None:
    """40 bu/ac of 50 lb canola are 2241.7 kg/ha; 44.092 bushels of it make a tonne."""
    (row,), causes = planned("canola", 40, 15, "$/bu", 13, 18, "No")
    assert causes == []
    assert (row["field"], row["season"], row["crop"]) == ("Home", 2022, "canola")
    assert row["yield_kg_ha"] == pytest.approx(40 * 56.0426, rel=1e-5)
    prices = [row[f"price{end}_per_kg"] for end in ("_low", "", "_high")]
    assert prices == pytest.approx([0.044092 * price for price in (13, 15, 18)], rel=2e-5)
    assert (row["work_before"], row["price_as_written"]) == ("no", "15 $/bu")


def test_a_planned_crop_needs_no_price_and_no_decision() -> None:
    (row,), causes = planned("canola", None, None, None, None, None, None)
    assert causes == []
    assert (row["price_per_kg"], row["work_before"], row["price_as_written"]) == (None, None, None)


@pytest.mark.parametrize(
    ("cells", "cause", "kept"),
    [
        (("canola", 40, None, "$/bu", 13, None, ""), "without the likely one", 1),
        (("canola", 40, 15, "$/bu", 16, 18, ""), "do not enclose the price", 1),
        (("canola", 40, 15, None, None, None, ""), "the price has no unit", 0),
        (("canola", 40, 15, "$/bu", None, None, "perhaps"), "the word is not known", 0),
        (("triffid", 40, 15, "$/bu", None, None, ""), "the crop is not known", 0),
    ],
)
def test_a_fault_of_a_planned_crop_is_named(cells, cause, kept) -> None:
    rows_, causes = planned(*cells)
    assert len(rows_) == kept
    assert len(causes) == 1 and cause in causes[0]
