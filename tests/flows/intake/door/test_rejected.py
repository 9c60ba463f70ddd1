import polars as pl
import pytest

from flows.intake.door import rejected as out

ROWS = pl.DataFrame({"seq": [1, 1, 1], "line": [2, 3, 4], "values": [2, 2, 1]})


def entries(*told):
    """``told``: (line, column, cause)."""
    frames = [
        out.entries(ROWS.filter(line=line), column, cause, pl.lit("x"), "y")
        for line, column, cause in told
    ]
    return pl.concat(frames)


@pytest.mark.parametrize(
    ("low", "high", "words"),
    [(None, 5.0, "at most 5"), (0.5, None, "at least 0.5"), (-40.0, 60.0, "-40 to 60")],
)
def test_limits_in_words(low, high, words):
    assert out.limits(low, high) == words


def test_a_row_of_which_every_value_is_refused_for_one_cause_is_refused_once():
    refused = entries((2, "a", "c"), (2, "b", "c"), (3, "a", "c"), (3, "b", "d"), (4, "a", "c"))
    told = out.as_rows(refused, ROWS).sort("line", "column_name")
    assert told.select("line", "column_name", "extent", "values").rows() == [
        (2, "", "row", 2),
        (3, "a", "value", 1),
        (3, "b", "value", 1),
        (4, "a", "value", 1),
    ]
    assert out.empty_rows(refused, ROWS).sort("line")["line"].to_list() == [2, 3, 4]


def test_a_row_that_keeps_a_value_stays():
    refused = entries((2, "a", "c"))
    assert out.as_rows(refused, ROWS).equals(refused)
    assert out.empty_rows(refused, ROWS).is_empty()


def test_entries_keep_to_the_declared_columns():
    assert entries((2, "a", "c")).schema == out.REFUSED
