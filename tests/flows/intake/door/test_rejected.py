import polars as pl
import pytest

from flows.intake.door import rejected

ROWS = pl.DataFrame({"seq": [1, 1, 1], "line": [2, 3, 4], "values": [2, 2, 1]})


def rejections(*values):
    """``values``: (line, column, cause)."""
    frames = [
        rejected.rejections(ROWS.filter(line=line), column, cause, pl.lit("x"), "y")
        for line, column, cause in values
    ]
    return pl.concat(frames)


@pytest.mark.parametrize(
    ("low", "high", "words"),
    [(None, 5.0, "at most 5"), (0.5, None, "at least 0.5"), (-40.0, 60.0, "-40 to 60")],
)
def test_limits_in_words(low, high, words):
    assert rejected.limits_in_words(low, high) == words


def test_a_row_of_which_every_value_is_refused_for_one_cause_is_refused_once():
    found = rejections((2, "a", "c"), (2, "b", "c"), (3, "a", "c"), (3, "b", "d"), (4, "a", "c"))
    combined = rejected.one_per_row(found, ROWS).sort("line", "column_name")
    assert combined.select("line", "column_name", "extent", "values").rows() == [
        (2, "", "row", 2),
        (3, "a", "value", 1),
        (3, "b", "value", 1),
        (4, "a", "value", 1),
    ]
    assert rejected.empty_rows(found, ROWS).sort("line")["line"].to_list() == [2, 3, 4]


def test_a_row_that_keeps_a_value_stays():
    found = rejections((2, "a", "c"))
    assert rejected.one_per_row(found, ROWS).equals(found)
    assert rejected.empty_rows(found, ROWS).is_empty()


def test_entries_keep_to_the_declared_columns():
    assert rejections((2, "a", "c")).schema == rejected.REJECTED
