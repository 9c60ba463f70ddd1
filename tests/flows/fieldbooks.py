"""A good field book to start from, and how to read a changed one."""

from __future__ import annotations

import io
from datetime import date
from typing import Any

from openpyxl import Workbook

from flows.books import fieldbook
from flows.books.fieldbook import FieldBook

Sheets = dict[str, list[list[Any]]]


def book() -> Sheets:
    """A good book of two fields and one season each."""
    passes = [
        ["Home", 2021, strip, number, mass, 780, 9.1, moisture]
        for strip, number, mass, moisture in [
            ("treated", 1, 2600, 13.8),
            ("treated", 2, 2650, 13.5),
            ("treated", 3, 2580, 14.0),
            ("check", 1, 2400, 13.9),
            ("check", 2, 2450, 13.6),
            ("check", 3, 2380, 13.9),
        ]
    ]
    return {
        "fields": [
            ["field", "area (ha)", "practice"],
            ["Home", 64, "deep tillage"],
            ["River", 50, "gypsum"],
        ],
        "strips": [
            ["field", "strip", "width (m)"],
            *[[f, s, 36] for f in ("Home", "River") for s in ("treated", "check")],
        ],
        "seasons": [
            ["field", "season", "crop", "seeded", "harvested"],
            ["Home", 2021, "spring wheat", date(2021, 5, 8), date(2021, 8, 28)],
            ["River", 2021, "canola", date(2021, 5, 14), date(2021, 9, 10)],
        ],
        "operations": [
            ["field", "day", "depth (cm)", "speed (km/h)", "fuel (L)", "area (ha)"],
            ["Home", date(2020, 10, 12), 35, 6.5, 56, 2.8],
        ],
        "passes": [
            [
                "field",
                "season",
                "strip",
                "pass",
                "mass (kg)",
                "length (m)",
                "width (m)",
                "moisture (%)",
            ],
            *passes,
        ],
        "prices": [
            ["crop", "season", "price", "unit"],
            ["spring wheat", 2021, 300, "$/t"],
            ["canola", 2021, 15, "$/bu"],
        ],
        "costs": [
            ["field", "season", "strip", "what", "cost ($/ha)"],
            ["Home", 2021, "treated", "extra nitrogen", 22],
        ],
    }


def workbook(sheets: Sheets) -> bytes:
    made = Workbook()
    made.remove(made.worksheets[0])
    for name, rows in sheets.items():
        page = made.create_sheet(name)
        for row in rows:
            page.append(row)
    out = io.BytesIO()
    made.save(out)
    return out.getvalue()


def read(sheets: Sheets, **settings_: Any) -> FieldBook:
    return fieldbook.tables_of({"book.xlsx": workbook(sheets)}, **settings_)


def rows_in(found: FieldBook) -> dict[str, int]:
    return {name: frame.height for name, frame in found.frames.items()}


GOOD = {
    "field": 2,
    "strip": 4,
    "season": 2,
    "operation": 1,
    "harvest_pass": 6,
    "price": 2,
    "planned_season": 0,
    "cost": 1,
    "irrigation": 0,
    "penetrometer": 0,
    "observation": 0,
    "note": 0,
    "lift": 0,
    "do_not_use": 0,
    "gauge": 0,
    "field_corner": 0,
    "renamed": 0,
}
