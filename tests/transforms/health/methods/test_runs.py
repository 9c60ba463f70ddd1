"""Runs of days hold the same days as the days themselves, however they are joined and cut."""

from __future__ import annotations

from datetime import date, timedelta

import polars as pl
from hypothesis import given
from hypothesis import strategies as st

from transforms.health.methods import runs
from transforms.health.methods.silence import HABIT_LEAST, USUAL, _habit, _habit_of_runs

FIRST = date(2023, 12, 20)
DAYS = st.lists(st.tuples(st.sampled_from("ab"), st.integers(0, 30)), unique=True, max_size=40).map(
    sorted
)
Days = list[tuple[str, int]]


def frame(days: Days) -> pl.DataFrame:
    return pl.DataFrame(
        {"who": [w for w, _ in days], "day": [FIRST + timedelta(days=n) for _, n in days]},
        schema={"who": pl.String, "day": pl.Date},
    )


def runs_of(days: Days) -> pl.DataFrame:
    return runs.of_days(frame(days), ["who"])


def days_of(found: pl.DataFrame) -> list[tuple[str, int]]:
    return [
        (who, (first - FIRST).days + n)
        for who, first, last in found.select("who", "day", "to_day").iter_rows()
        for n in range((last - first).days + 1)
    ]


@given(st.lists(st.tuples(st.sampled_from("ab"), st.integers(0, 3))))
def test_rows_are_in_order_whether_or_not_they_were(days: Days) -> None:
    found = runs.in_order(frame(days), ["who", "day"])
    assert found.equals(frame(sorted(days)))


@given(DAYS)
def test_runs_hold_all_days_in_as_few_rows_as_can_be(days: Days) -> None:
    found = runs_of(days)
    assert days_of(found) == days
    assert found.height == sum((who, n - 1) not in days for who, n in days)
    assert found.select(runs.LENGTH_D.sum()).item() == len(days)


@given(DAYS, DAYS)
def test_a_union_holds_the_days_of_both(some: Days, others: Days) -> None:
    found = runs.union(pl.concat([runs_of(some), runs_of(others)]), ["who"])
    assert found.equals(runs_of(sorted({*some, *others})))


@given(DAYS, DAYS)
def test_what_is_left_holds_the_days_of_the_first_alone(some: Days, others: Days) -> None:
    found = runs.without(runs_of(some), runs_of(others), ["who"]).sort("who", "day")
    assert found.equals(runs_of(sorted(set(some) - set(others))))


@given(st.lists(st.integers(0, 60), unique=True, min_size=1, max_size=50).map(sorted))
def test_the_habit_by_runs_is_that_by_days(numbers: list[int]) -> None:
    """The 95th percentile of the steps, by polars on the days and by hand on the runs."""
    days: Days = [("a", n) for n in numbers]
    by_days = frame(days).select(_habit("day")).item()
    between = (pl.col("day") - pl.col("to_day").shift(1)).dt.total_days().drop_nulls().sort()
    by_runs = (
        runs_of(days)
        .group_by("who")
        .agg(n=runs.LENGTH_D.sum(), between=between)
        .select(_habit_of_runs())
        .item()
    )
    assert by_runs == by_days
    assert (by_days is None) == (len(numbers) < HABIT_LEAST)
    assert 0 < USUAL < 1
