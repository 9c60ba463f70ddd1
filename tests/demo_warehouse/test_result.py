"""README's picture and table are those of the demo as it is now."""

import re

import pytest

from flows.pages.published_tables import Tables
from flows.setup import demo_result
from flows.store import query

NUMBER = re.compile(r"-?\d+\.\d+|-?\d+")


@pytest.fixture(scope="module")
def tables(derived):
    with query.open_published(derived) as con:
        yield Tables(con)


def test_the_table_is_fresh(tables):
    text = demo_result.README.read_text(encoding="utf-8")
    made = demo_result.table(tables)
    assert made in text, "make it again with: python -m flows.setup.demo_result"
    assert demo_result.in_readme(text, made) == text
    assert "invented" in text.partition(demo_result.BEGIN)[0]


def test_the_picture_is_fresh(tables):
    kept = demo_result.PICTURE.read_text(encoding="utf-8")
    made = demo_result.picture(tables).decode()
    assert NUMBER.sub("", made) == NUMBER.sub("", kept), "python -m flows.setup.demo_result"
    here, there = (list(map(float, NUMBER.findall(text))) for text in (made, kept))
    assert here == pytest.approx(there, abs=0.05)


def test_what_is_between_the_marks_is_replaced_and_nothing_else():
    before = f"a\n{demo_result.BEGIN}old\n{demo_result.END}b\n"
    after = demo_result.in_readme(before, "new \\1\n")
    assert after == before.replace("old", "new \\1")
