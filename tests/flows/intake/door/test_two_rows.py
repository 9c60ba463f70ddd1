"""Two observers of one day in a long daily file: the rows of one stand, never some of each."""

from datetime import UTC, datetime, timedelta
from typing import Any

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from flows.intake.door.two_rows import TWO_ROWS, reject_second_rows
from schemas.farm.layout import Layout

DAY = datetime(2020, 6, 1, tzinfo=UTC)
LAYOUT: dict[str, Any] = {
    "shape": "long",
    "step": "1 day",
    "stamp": "start",
    "time": {"columns": ["t"], "format": "%Y-%m-%d"},
    "series_column": "what",
    "value_column": "value",
    "columns": {
        "X": {"quantity": "air_temp_max"},
        "N": {"quantity": "air_temp_min"},
        "R": {"quantity": "rain"},
    },
}


def frame(*cells: tuple[str, float], n: int = 0) -> pl.DataFrame:
    """Rows of one day as they come to the door, line by line from 2."""
    return pl.DataFrame(
        [
            {"seq": 1, "line": i, "station": "w", "series": what, "value": value}
            | {"time": DAY + timedelta(days=n), "stamp": "2020-06-01", "values": 1}
            for i, (what, value) in enumerate(cells, 2)
        ]
    )


def stands(rows: pl.DataFrame, **layout: object) -> tuple[list[tuple[str, float]], list[int]]:
    """What is kept, and the lines that are rejected."""
    kept, rejected = reject_second_rows(rows, Layout.model_validate(LAYOUT | layout))
    assert set(rejected["cause"]) <= {TWO_ROWS}
    assert kept.height + rejected.height == rows.height
    return kept.select("series", "value").rows(), rejected["line"].to_list()


A = [("X", 20.0), ("N", 5.0), ("R", 0.0)]
B = [("X", 24.0), ("N", 7.0), ("R", 3.0)]


def test_of_equal_observers_the_later_stands_whole() -> None:
    assert stands(frame(*A, *B)) == (B, [2, 3, 4])
    by_quantity = [row for pair in zip(A, B, strict=True) for row in pair]
    assert stands(frame(*by_quantity)) == (B, [2, 4, 6])


def test_the_one_with_more_rows_stands_and_keeps_what_only_he_has() -> None:
    first = [A[0], A[2], A[1]]
    assert stands(frame(*first, B[0], B[1])) == (first, [5, 6])
    assert stands(frame(*A[:2], B[0], B[2], B[1])) == ([B[0], B[2], B[1]], [2, 3])


def test_a_quantity_outside_of_both_belongs_to_nobody() -> None:
    """The rain may be the first observer's or the second's."""
    assert stands(frame(A[2], A[0], A[1], B[0], B[1])) == ([B[0], B[1]], [2, 3, 4])
    assert stands(frame(A[0], A[1], ("R", 9.0), B[0], B[1])) == ([B[0], B[1]], [2, 3, 4])
    mixed = frame(A[0], B[0], ("R", 9.0), A[1], B[1])
    assert stands(mixed) == ([B[0], B[1]], [2, 4, 5])


def test_the_same_again_and_other_steps_are_left_alone() -> None:
    assert stands(frame(*A, *A)) == (A + A, [])
    assert stands(frame(*A)) == (A, [])
    hours = {"columns": ["t"], "format": "%Y-%m-%d %H:%M", "offset": "Z"}
    assert stands(frame(*A, *B), step="1 h", time=hours) == (A + B, [])


def test_other_days_stations_and_files_are_not_concerned() -> None:
    other = pl.concat([frame(*A, n=1), frame(*A).with_columns(station=pl.lit("e"))])
    other = pl.concat([other, frame(*A).with_columns(seq=pl.lit(2, pl.Int64))])
    every = pl.concat([frame(*A, *B), other.with_columns(line=pl.col("line") + 50)])
    kept, rejected = stands(every)
    assert kept == B + 3 * A
    assert rejected == [2, 3, 4]


quantities = st.lists(st.sampled_from("XNR"), min_size=1, max_size=3, unique=True)


@given(quantities, quantities, st.booleans())
def test_what_stands_is_never_of_both(one: list[str], two: list[str], mixed: bool) -> None:
    first, second = [(q, 1.0) for q in one], [(q, 2.0) for q in two]
    cells = sorted(first + second) if mixed else first + second
    kept, _ = stands(frame(*cells))
    contradict = set(one) & set(two)
    if contradict:
        assert len({value for _, value in kept}) == 1


@pytest.mark.parametrize("cells", [[("X", 1.0)], [("X", 1.0), ("X", 1.0)]])
def test_a_day_without_a_contradiction_keeps_all(cells: list[tuple[str, float]]) -> None:
    assert stands(frame(*cells))[1] == []
