from flows.base.text_table import text_table


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
