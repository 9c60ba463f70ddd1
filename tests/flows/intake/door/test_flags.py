import polars as pl
import pytest
from pydantic import ValidationError

from flows.intake.door.values import to_numbers
from schemas.farm.layout import Layout

FLAGS = {"T": "trace", "M": "missing", "E": "suspect", "A": "accumulated", "D": "frozen"}


def layout(**changes):
    return Layout.model_validate(
        {"step": "1 day", "time": {"columns": ["t"]}, "missing": ["NA", -99]} | changes
    )


def rain(**rule):
    return {"R": {"quantity": "rain", "unit": "mm"} | rule}


def read(rule, **columns):
    lines = range(len(next(iter(columns.values()))))
    whole = {"seq": pl.Int64, "line": pl.Int64}
    frame = pl.DataFrame({"seq": 1, "line": lines, **columns}, schema_overrides=whole)
    return to_numbers(frame, rule)


def test_letters_behind_the_number():
    cells = ["0.3", "12.5A", "1.2 E", "T", "0.0T", "M", "NA", "-99", "4.5M", "", None, "1e1"]
    found, rejected = read(layout(columns=rain(flags=FLAGS)), **{"v:R": cells})
    assert found["v:R"].to_list() == [
        *(0.3, 12.5, 1.2, 0.0, 0.0, None, None, None, None, None, None, 10.0)
    ]
    assert found["m:R"].to_list()[:6] == [
        *("good", "accumulated", "suspect", "trace", "trace", "missing")
    ]
    assert rejected.is_empty()


def test_letters_that_the_layout_does_not_name_are_rejected_with_their_value():
    found, rejected = read(layout(columns=rain(flags=FLAGS)), **{"v:R": ["1.5Q", "2.5", "x7"]})
    assert found["v:R"].to_list() == [None, 2.5, None]
    assert rejected.select("line", "column_name", "cause", "found").rows() == [
        (2, "R", "not a number", "x7"),
        (0, "R", "unknown flag", "Q"),
    ]
    assert (
        rejected["expected"].to_list()[1] == "one of the flags that the layout names: T, M, E, A, D"
    )


@pytest.mark.parametrize("kind", [pl.String, pl.Float64])
def test_a_column_of_flags_of_its_own_or_of_the_row(kind):
    columns = rain(flag="RF", flags=FLAGS) | {"W": {"quantity": "wind_speed"}}
    rule = layout(columns=columns, flag_column="all", flags={"E": "suspect", "x": "missing"})
    found, rejected = read(
        rule,
        **{
            "v:R": pl.Series(["1", "2", "3", "4"]).cast(kind),
            "f:R": ["", "M", "E", None],
            "v:W": pl.Series(["5", "6", "7", "8"]).cast(kind),
            "flag": ["x", "", "E", "?"],
        },
    )
    assert found["v:R"].to_list() == [1.0, None, 3.0, 4.0]
    assert found["v:W"].to_list() == [None, 6.0, 7.0, None]
    assert found["m:R"].to_list() == ["good", "missing", "suspect", "good"]
    assert found["m:W"].to_list() == ["missing", "good", "suspect", None]
    assert rejected.select("line", "column_name", "cause").rows() == [(3, "W", "unknown flag")]


def test_series_of_a_long_file_have_each_their_own_meanings():
    columns = {
        "rain": {"quantity": "rain", "unit": "mm", "flags": {"1": "trace"}},
        "wind": {"quantity": "wind_speed", "flags": {"1": "suspect"}},
        "temp": {"quantity": "air_temp"},
    }
    rule = layout(
        shape="long", series_column="s", value_column="v", flag_column="q", columns=columns
    )
    found, rejected = read(
        rule,
        series=["rain", " wind", "temp", "wind"],
        value=["0.1", "3", "20", "4"],
        flag=["1", "1", "1", "2"],
    )
    assert found["value"].to_list() == [0.0, 3.0, 20.0, None]
    assert found["m:value"].to_list() == ["trace", "suspect", "good", None]
    assert rejected.select("line", "column_name", "found").rows() == [(3, "wind", "2")]


@pytest.mark.parametrize(
    ("wrong", "why"),
    [
        ({"columns": rain(flag="RF")}, "say what its flags mean"),
        ({"columns": rain(), "flag_column": "F"}, "say what its flags mean"),
        ({"columns": rain(flags={"T": "wet"})}, "'good', 'missing'"),
        ({"columns": rain(counts="total", flags={"A": "accumulated"})}, "only for rain"),
        ({"columns": {"W": {"quantity": "wind_speed", "flags": {"T": "trace"}}}}, "only for"),
    ],
)
def test_a_layout_says_what_its_flags_mean(wrong, why):
    with pytest.raises(ValidationError, match=why):
        layout(**wrong)
