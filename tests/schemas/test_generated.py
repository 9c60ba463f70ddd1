"""The quick look at rows says what pandera says of them."""

from datetime import UTC, date, datetime

import polars as pl
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from pandera.errors import SchemaErrors

from schemas import generated
from schemas.catalogue import TABLES
from schemas.table import Table, Tier, count, day, flag, number, text, time

TABLE = Table(
    "made_up",
    Tier.SETUP,
    "a row",
    (
        text("name", "its name", key=True),
        day("day", "its day", key=True),
        text("word", "a word", one_of=("a", "b")),
        number("rain_mm", "mm", "rain", 0.0, 10.0),
        number("depth_cm", "cm", "a depth", 0.0, required=True),
        number("air_temp_c", "degC", "warmth", None, 60.0),
        count("values", "a count", low=1),
        flag("partial", "a flag", required=True),
        time("at", "a time"),
    ),
)
NUMBERS = st.sampled_from(
    (None, -1.0, -0.0, 0.0, 5.0, 10.0, 10.1, 61.0, float("nan"), float("inf"))
)
ROWS = st.tuples(
    st.sampled_from((None, "x", "y", "z")),
    st.sampled_from((None, date(2025, 1, 1), date(2025, 1, 2))),
    st.sampled_from((None, "a", "b", "c")),
    *(NUMBERS, NUMBERS, NUMBERS),
    st.sampled_from((None, 0, 1, 7)),
    st.sampled_from((None, True, False)),
    st.sampled_from((None, datetime(2025, 1, 1, tzinfo=UTC))),
)
GOOD = ("x", date(2025, 1, 1), "a", 5.0, 5.0, 5.0, 1, True, None)
# A good row with one value of a random one: of random rows hardly any would pass.
SPOILT = st.tuples(ROWS, st.integers(0, 8)).map(
    lambda drawn: tuple(drawn[0][n] if n == drawn[1] else value for n, value in enumerate(GOOD))
)


def by_pandera(schema, frame):
    try:
        schema.validate(frame, lazy=True)
    except SchemaErrors:
        return False
    return True


@given(st.lists(st.one_of(SPOILT, ROWS), max_size=3))
@example([])
@example([GOOD])
@example([GOOD, GOOD])
@example([GOOD, ("y", *GOOD[1:])])
def test_rows_fit_if_pandera_finds_nothing(rows):
    frame = pl.DataFrame(rows, generated.polars_schema(TABLE), orient="row")
    assert generated.fits(TABLE, frame) == by_pandera(generated.check(TABLE), frame)
    some = frame.select("rain_mm", "depth_cm", "air_temp_c", "word")
    of_some = generated.door(TABLE, tuple(some.columns))
    assert generated.fits(TABLE, some, whole=False) == by_pandera(of_some, some)


@pytest.mark.parametrize("name", sorted(TABLES))
def test_a_frame_of_other_columns_or_types_does_not_fit(name):
    empty = generated.empty(TABLES[name])
    assert generated.fits(TABLES[name], empty)
    first = empty.columns[0]
    other = pl.Int8 if empty.schema[first] != pl.Int8 else pl.Int16
    for frame in (
        empty.with_columns(pl.col(first).cast(pl.String).cast(other, strict=False)),
        empty.drop(first),
        empty.select(reversed(empty.columns)) if empty.width > 1 else empty.drop(first),
        empty.with_columns(further=pl.lit(1)),
    ):
        assert not generated.fits(TABLES[name], frame)
