from __future__ import annotations

import tomllib
from importlib.resources import files

import pytest

from flows.books.fieldbook import units
from schemas.catalogue import TABLES
from schemas.fieldbook import yield_map
from schemas.fieldbook.parts import Reads, Sheet
from schemas.fieldbook.sheets import SHEETS
from schemas.fieldbook.words import BOTH, CROP_WORDS, HIGHEST_YIELD_KG_HA, UNIT_WORDS, WORDS
from schemas.shared_columns import SIDES

# 'unit' says in which unit price or amount stand; it is no column of its own.
NO_COLUMN = {("irrigation", "unit"), ("prices", "unit"), ("plans", "unit"), ("yield map", "date")}


@pytest.mark.parametrize("sheet", [*SHEETS, yield_map.POINTS], ids=lambda s: s.name)
def test_every_heading_lands_in_a_declared_column(sheet: Sheet) -> None:
    table = TABLES[sheet.table]
    for heading in sheet.headings:
        if (sheet.name, heading.name) not in NO_COLUMN:
            assert set(heading.columns) <= set(table.names), heading.name


@pytest.mark.parametrize("sheet", SHEETS, ids=lambda s: s.name)
def test_every_column_of_the_table_can_be_written(sheet: Sheet) -> None:
    written = {column for heading in sheet.headings for column in heading.columns}
    made_by_the_reader = {"price_as_written", "kind", "what", "layer", "base_unit", "unit_factor"}
    assert set(TABLES[sheet.table].names) - written <= made_by_the_reader


@pytest.mark.parametrize("sheet", [*SHEETS, yield_map.POINTS], ids=lambda s: s.name)
def test_no_heading_means_two_columns(sheet: Sheet) -> None:
    names = [n for heading in sheet.headings for n in (heading.name, *heading.also)]
    assert len(names) == len(set(names))
    assert all(name == " ".join(name.lower().split()) for name in names)


def test_the_units_of_the_blank_book_fit_their_columns() -> None:
    for sheet in SHEETS:
        for heading in sheet.headings:
            if heading.reads is not Reads.NUMBER:
                continue
            for written in (*heading.written, heading.unit):
                if not written:
                    continue
                expression = units.expression(written)
                assert expression, (heading.name, written)
                assert any(
                    units.factor(expression, TABLES[sheet.table][column].unit, 27.2)
                    for column in heading.columns
                ), (sheet.name, heading.name, written)


@pytest.mark.parametrize("word", UNIT_WORDS)
def test_every_unit_word_is_known_to_the_library(word: str) -> None:
    units.registry().parse_expression(UNIT_WORDS[word])
    assert units.expression(word)


def test_words_lead_to_what_the_tables_allow() -> None:
    allowed: dict[str, set[str]] = {"strip": {*SIDES, BOTH}}
    for sheet in SHEETS:
        for heading in sheet.headings:
            if heading.reads is Reads.WORD:
                for column in heading.columns:
                    words_of = TABLES[sheet.table][column].one_of
                    allowed.setdefault(column, set()).update(words_of)
    for column, words in WORDS.items():
        assert set(words.values()) <= allowed[column]


def test_crops_are_of_the_crop_list() -> None:
    crops = set(tomllib.loads((files("schemas") / "crops.toml").read_text(encoding="utf-8")))
    assert set(CROP_WORDS.values()) <= crops
    assert set(HIGHEST_YIELD_KG_HA) == crops
