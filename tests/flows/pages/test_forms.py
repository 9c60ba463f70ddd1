"""Forms: filled in, the CSV is read by the field book as it is; the page prints and warns."""

from __future__ import annotations

import csv
import io
from datetime import date

import pytest

from flows.base.errors import UserError
from flows.books import fieldbook
from flows.farm.folder import FarmFolder
from flows.pages.year import forms
from schemas.cautions import WORKING
from tests.flows.pages.page_text import PageReader


def filled(text: str, values: dict[str, str]) -> tuple[list[dict[str, str]], bytes]:
    """A form's rows with these values in them, and its CSV."""
    rows = [row | values for row in csv.DictReader(io.StringIO(text))]
    out = io.StringIO()
    writer = csv.DictWriter(out, rows[0].keys())
    writer.writeheader()
    writer.writerows(rows)
    return rows, out.getvalue().encode()


def sheets(*names: str) -> dict[str, bytes]:
    """The invented book's sheets as CSV, for the field Home in 2024."""
    made = {
        "fields": "field,practice\nHome,deep tillage\n",
        "strips": "field,strip\nHome,treated\nHome,check\n",
        "seasons": "field,season,crop,seeded,harvested\nHome,2024,spring wheat,2024-05-05,2024-08-30\n",
    }
    return {f"{name}.csv": made[name].encode() for name in names}


def test_a_pass_sheet_filled_in_is_a_sheet_of_the_field_book(folder: FarmFolder) -> None:
    page, table = forms.write(folder, "passes")
    text = table.read_text()
    rows, content = filled(
        text,
        {"day": "2024-08-30", "mass (lb)": "5530", "length (ft)": "2560"}
        | {"width (ft)": "30", "moisture (%)": "13.8"},
    )
    # four blocks as weighed last, both strips, none of the empty rows
    assert [(r["strip"], r["pass"]) for r in rows] == [
        (strip, str(n)) for n in (1, 2, 3, 4) for strip in ("treated", "check")
    ]
    found = fieldbook.tables_of(sheets("fields", "strips", "seasons") | {"passes.csv": content})
    assert found.problems == []
    passes = found.frames["harvest_pass"]
    assert passes.height == 8
    assert passes["mass_kg"].to_list() == pytest.approx([5530 * 0.45359237] * 8)
    assert set(passes["block"]) == {"1", "2", "3", "4"}
    words = PageReader(page.read_text()).words
    assert all(name in words for name in ("moisture (%)", "left out", "Home"))


def test_a_form_of_the_work_warns_first_and_lands_as_an_operation(folder: FarmFolder) -> None:
    page, table = forms.write(folder, "work", "Home")
    words = PageReader(page.read_text()).words
    assert words.startswith(WORKING)
    for asked in ("operator", "depth (in)", "speed (mph)", "fuel (gal/ac)", "photographs"):
        assert asked in words
    values = {"day": "2024-09-20", "depth (in)": "14", "area (ac)": "7"}
    _, content = filled(table.read_text(), values)
    found = fieldbook.tables_of(sheets("fields", "strips") | {"operations.csv": content})
    assert found.problems == []
    (row,) = found.frames["operation"].to_dicts()
    assert (row["field"], row["strip"], row["practice"]) == ("Home", "treated", "deep tillage")
    assert row["depth_cm"] == pytest.approx(35.56)


def test_a_field_that_is_not_in_the_book_is_named_with_those_that_are(folder: FarmFolder) -> None:
    with pytest.raises(UserError, match=r"no field 'Hom'.*Home"):
        forms.write(folder, "work", "Hom")


def test_a_name_is_shown_as_it_is_and_obeyed_nowhere(tables) -> None:
    name = '=1+1<script>alert("x")</script>'
    given = tables.with_field_named(name)
    form = forms._passes(given, [name], date(2024, 9, 1))
    page = forms._page(form, given)
    assert "<script>" not in page and "&lt;script&gt;" in page
    assert f"'{name}" in [row["field"] for row in csv.DictReader(io.StringIO(forms._csv(form)))]
