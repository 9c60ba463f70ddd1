import logging
import sys
import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from flows.base.plain_text import Lines, plain, text_table


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("a.csv", "a.csv"),
        ("Größe 5 °C – m³", "Größe 5 °C – m³"),
        ("two\nlines\tand a tab", "two\nlines\tand a tab"),
        ("\x1b[31mred\x1b[0m", "\\x1b[31mred\\x1b[0m"),
        ("\x9b2J", "\\x9b2J"),  # the same in one byte of Latin-1
        ("gone\rhere\x08", "gone\\rhere\\x08"),
        ("a\u202efdp.csv", "a\\u202efdp.csv"),
        ("caf\udce9.csv", "caf\\udce9.csv"),  # a name on the disk in no known encoding
    ],
)
def test_what_a_terminal_would_obey_is_spelled_out(text, shown):
    assert plain(text) == shown


@given(st.text())
def test_whatever_is_shown_can_be_printed_anywhere(text):
    shown = plain(text)
    shown.encode("utf-8")
    kinds = {unicodedata.category(letter) for letter in set(shown) - {"\t", "\n"}}
    assert not kinds & {"Cc", "Cs", "Zl", "Zp"}  # control, half pairs, separators of lines
    assert plain(shown) == shown


def test_a_log_message_cannot_pretend_to_be_another_line():
    lines = Lines("%(levelname)s %(message)s")
    record = logging.LogRecord("x", logging.INFO, "", 0, "took %s", ("a\nERROR b\x1b[2J",), None)
    assert lines.format(record) == "INFO took a\n    ERROR b\\x1b[2J"
    try:
        raise ValueError("\x1b]0;title\x07")
    except ValueError:
        record.exc_info = sys.exc_info()
    told = lines.format(record)
    assert "Traceback" in told
    assert "\x1b" not in told
    assert all(line.startswith(("INFO", "    ")) for line in told.splitlines())


def test_columns_are_aligned_below_their_heading_and_numbers_to_the_right():
    rows = [["west", "7", "dry"], ["a long name", "1,200", ""]]
    assert text_table(rows, {1}, ["station", "rows", "note"]) == [
        "station       rows  note",
        "-----------  -----  ----",
        "west             7  dry",
        "a long name  1,200",
    ]
    assert text_table(rows) == ["west         7      dry", "a long name  1,200"]


def test_without_rows_there_is_the_heading_or_nothing():
    assert text_table([], (), ["a", "bc"]) == ["a  bc", "-  --"]
    assert text_table([]) == []
