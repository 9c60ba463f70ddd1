"""The sheet irrigation: depths and volumes in the units that people write, and its faults.

An acre-inch is the water that covers an acre an inch deep (by its name); 1 inch = 25.4 mm exactly,
1 U.S. gallon = 231 cubic inches (NIST Handbook 44, appendix C).
"""

from __future__ import annotations

from datetime import date
from typing import Any

import pytest

from flows.books.fieldbook import FieldBook
from tests.flows.fieldbooks import book, read

DAY = date(2021, 6, 21)


def _read(*rows: list[Any]) -> FieldBook:
    sheets = book()
    sheets["irrigation"] = list(rows)
    return read(sheets)


@pytest.mark.parametrize(
    ("heading", "amount", "area", "depth_mm"),
    [
        ("amount (mm)", 25, None, 25.0),
        ("amount (in)", 1, None, 25.4),
        ("amount", "0.5 in", None, 12.7),
        ("volume (m3)", 5000, ("area (ha)", 20), 25.0),
        ("volume (acre-in)", 130, ("area (ac)", 130), 25.4),
        ("amount (ac-ft)", 10, ("irrigated area (ac)", 120), 25.4),
        # 27,154 gallons cover an acre an inch deep (rounded; 4046.8564 m2 of 25.4 mm)
        ("amount (gal)", 27154.3 * 40, ("area (ac)", 40), 25.4),
        ("water (imp gal)", 219969.25, ("area (ha)", 4), 25.0),
    ],
)
def test_amounts_in_the_units_of_the_trade(
    heading: str, amount: Any, area: tuple[str, float] | None, depth_mm: float
) -> None:
    headings, row = ["field", "day", heading], ["Home", DAY, amount]
    if area:
        headings.append(area[0])
        row.append(area[1])
    found = _read(headings, row)
    (entry,) = found.frames["irrigation"].to_dicts()
    assert entry["amount_mm"] == pytest.approx(depth_mm, rel=2e-6)
    assert (entry["field"], entry["strip"], entry["day"], entry["part"]) == (
        "Home",
        "both",
        DAY,
        "1",
    )
    assert not [p for p in found.problems if p.sheet == "irrigation"]


def test_a_column_of_units_says_them_row_by_row() -> None:
    found = _read(
        ["field", "strip", "day", "amount", "unit", "area (ha)"],
        ["Home", "t", DAY, 1, "in", None],
        ["Home", "ck", DAY, 2000, "m3", 10],
        ["River", None, DAY, 3, None, None],
        ["River", None, DAY, 3, "buckets", None],
    )
    depths = found.frames["irrigation"].select("field", "strip", "amount_mm").rows()
    assert depths == [("Home", "check", 20.0), ("Home", "treated", 25.4)]
    faults = [(p.row, p.cause, p.extent) for p in found.problems if p.sheet == "irrigation"]
    assert faults == [
        (4, "the amount has no unit", "row"),
        (5, "the unit is not known", "row"),
    ]


def test_an_irrigation_without_a_depth_is_kept_and_named() -> None:
    found = _read(
        ["field", "strip", "day", "volume (m3)"],
        ["Home", "treated", DAY, 5000],
        ["Home", "check", DAY, None],
    )
    rows = found.frames["irrigation"].select("strip", "amount_mm", "volume_m3").rows()
    assert rows == [("check", None, None), ("treated", None, 5000.0)]
    faults = [(p.row, p.cause, p.extent) for p in found.problems if p.sheet == "irrigation"]
    assert faults == [
        (2, "a volume without the irrigated area", "none"),
        (3, "an irrigation without an amount", "none"),
    ]


def test_what_cannot_be_is_rejected_and_the_rest_stands() -> None:
    found = _read(
        ["field", "strip", "day", "part", "amount (mm)"],
        ["Home", "treated", DAY, None, 25],
        ["Home", "treated", DAY, None, 30],
        ["Home", "treated", DAY, 2, 30],
        ["Home", "left", DAY, None, 30],
        ["Hoem", "treated", DAY, None, 30],
        ["Home", "check", DAY, None, -3],
        ["Home", "check", DAY, None, 25000],
        ["Home", "check", None, None, 25],
    )
    rows = found.frames["irrigation"].select("strip", "part", "amount_mm").rows()
    assert rows == [("treated", "1", 25.0), ("treated", "2", 30.0)]
    faults = [p for p in found.problems if p.sheet == "irrigation"]
    assert [p.row for p in faults] == [3, 5, 6, 7, 8, 9]
    assert {p.extent for p in faults} == {"row"}
    assert "row 2" in faults[0].cause


def test_a_book_without_the_sheet_has_no_irrigation() -> None:
    assert read(book()).frames["irrigation"].is_empty()
