import pytest
from pydantic import ValidationError

from flows.intake.readers.chunk import Unreadable
from tests.flows.intake.readers.reading import READ, chunks, faults, layout, rows

FIELDS = {"t": [1, 16], "T": [18, 22], "R": [23, 27]}
LINES = ["2020-06-01 00:00   1.5  0.2", "2020-06-01 01:00  -2.0  0.0"]
TEXT = "\n".join(["station 7", "time            air   rain", *LINES, ""])


def fixed(**changes):
    return layout(format="fixed", fields=FIELDS, **changes)


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_columns_by_their_place(encoding, end):
    data = TEXT.replace("\n", end).encode(encoding)
    for head in ({"skip": 1}, {"header_starts": "time  "}):
        assert rows(data, fixed(encoding=encoding, **head), block=7) == READ


def test_rows_after_a_known_start():
    before = (TEXT[: TEXT.index(LINES[1])]).encode()
    assert rows(LINES[1].encode(), fixed(skip=1), before=before) == READ[1:]
    (chunk,) = chunks(LINES[1].encode(), fixed(skip=1), before=before)
    assert chunk.frame["line"].to_list() == [4]


def test_blank_fields_and_trimmed_lines_are_missing_values():
    data = f"{LINES[0]}\n2020-06-01 01:00\n2020-06-01 02:00        0.4\n".encode()
    (chunk,) = chunks(data, fixed(header=0))
    assert chunk.frame.select("v:T", "v:R").rows() == [("1.5", "0.2"), ("", ""), ("", "0.4")]
    assert chunk.faults.is_empty()


def test_a_last_line_cut_short_is_refused_since_its_value_may_be_too():
    data = (LINES[0] + "\n" + LINES[1][:20]).encode()
    assert rows(data, fixed(skip=0, header=0)) == READ[:1]
    (fault,) = faults(data, fixed(skip=0, header=0))
    assert fault[0] == 2
    assert fault[3] == "half-written line"


@pytest.mark.parametrize(
    "line",
    [
        "2020-06-01 02:00  10.06  0.4",  # a blank came in after the stamp
        "2020-06-01 0\r2:00   10.6  0.4",
        "2020-06-01 02:00 110.6   0.41",
    ],
)
def test_a_number_that_goes_on_beyond_its_field_is_refused(line):
    fields = {"t": [1, 16], "T": [18, 22], "R": [24, 28]}
    rule = layout(format="fixed", fields=fields, header=0)
    good = [f"2020-06-01 {h:02d}:00  1{h}.5   0.2" for h in range(3, 8)]
    data = "\n".join([*good, line, ""]).encode()
    (chunk,) = chunks(data, rule)
    assert chunk.frame["v:T"].to_list() == [f"1{h}.5" for h in range(3, 8)]
    ((number, _, extent, cause, found, _),) = chunk.faults.rows()
    assert (number, extent, cause, found) == (6, "row", "columns out of place", line)


@pytest.mark.parametrize("signed", [1, 5])  # in one line, in all of a winter
@pytest.mark.parametrize("sign", ["-", "+", "−"])
def test_a_sign_beside_its_field_is_never_dropped(sign, signed):
    rule = layout(format="fixed", fields={"t": [1, 16], "T": [19, 23], "R": [25, 28]}, header=0)
    marks = [sign] * signed + [" "] * (5 - signed)
    lines = [f"2020-06-01 {h:02d}:00 {mark}10.25  0.2" for h, mark in enumerate(marks)]
    data = "\n".join([*lines, ""]).encode()
    (chunk,) = chunks(data, rule)
    assert chunk.frame["line"].to_list() == list(range(signed + 1, 6))
    assert chunk.faults["found"].to_list() == lines[:signed]
    assert set(chunk.faults["cause"]) == {"columns out of place"}


@pytest.mark.parametrize("line", ["2020-06-01 01:00\t50.00  0.2", "2020-06-01 01:00   1.5\t0.2"])
def test_a_line_with_a_tab_is_rejected(line):
    (chunk,) = chunks(f"{LINES[0]}\n{line}\n{LINES[0]}\t\n".encode(), fixed(header=0))
    assert chunk.frame["line"].to_list() == [1, 3]
    assert chunk.faults.select("line", "found").rows() == [(2, line)]


def test_where_every_line_has_another_column_beside_it_nothing_is_out_of_place():
    fields = {"t": [1, 16], "T": [18, 21]}
    rule = layout(format="fixed", fields=fields, header=0, columns={"T": {"quantity": "air_temp"}})
    data = "".join(f"2020-06-01 {h:02d}:00 10.512.3\n" for h in range(5)).encode()
    (chunk,) = chunks(data, rule)
    assert chunk.frame["v:T"].to_list() == ["10.5"] * 5
    assert chunk.faults.is_empty()


@pytest.mark.parametrize(
    ("field", "numbers", "where"),
    [
        ([18, 21], ["0.284", "0.281", "0.290"], "behind"),
        ([18, 19], ["12.50", "11.25", "9.750"], "behind"),
        ([19, 22], ["10.25", "11.75", "12.50"], "before"),
    ],
)
def test_a_field_that_cuts_most_of_its_numbers_short_is_noticed(field, numbers, where):
    rule = layout(
        format="fixed",
        fields={"t": [1, 16], "T": field},
        header=0,
        columns={"T": {"quantity": "air_temp"}},
    )
    lines = [f"2020-06-01 {h:02d}:00 {number}" for h, number in enumerate(numbers)]
    with pytest.raises(Unreadable, match=f"a field is too short.* digits {where} it in 3 of 3"):
        rows("\n".join([*lines, ""]).encode(), rule, "time_0", "v:T")
    wide = rule.model_copy(update={"fields": {"t": (1, 16), "T": (18, 22)}})
    found = rows("\n".join([*lines, ""]).encode(), wide, "time_0", "v:T")
    assert [value for _, value in found] == list(map(float, numbers))


def test_a_field_of_its_own_says_that_the_digits_beside_are_another_column():
    fields = {"t": [1, 16], "T": [18, 21], "flag": [22, 22]}
    rule = layout(format="fixed", fields=fields, header=0, columns={"T": {"quantity": "air_temp"}})
    data = "".join(f"2020-06-01 {h:02d}:00 10.51\n" for h in range(3)).encode()
    assert [value for _, value in rows(data, rule, "time_0", "v:T")] == [10.5] * 3


def test_a_column_without_a_field_is_refused():
    with pytest.raises(Unreadable, match="no such column"):
        rows(TEXT.encode(), layout(format="fixed", fields={"t": [1, 16], "R": [23, 27]}))


def test_fields_and_fixed_go_together():
    for wrong in ({"format": "fixed"}, {"fields": FIELDS}):
        with pytest.raises(ValidationError, match="go together"):
            layout(**wrong)
    with pytest.raises(ValidationError, match="before its first"):
        layout(format="fixed", fields=FIELDS | {"T": [22, 18]})
