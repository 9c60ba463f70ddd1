import codecs

import polars as pl
import pytest

from flows.intake.readers import delimited
from flows.intake.readers.chunk import Content, Unreadable
from schemas.farm.layout import Layout


def layout(**changes):
    base = {
        "step": "1 h",
        "time": {"columns": ["t"], "offset": "Z"},
        "columns": {"T": {"quantity": "air_temp"}, "R": {"quantity": "rain", "unit": "mm"}},
    }
    return Layout.model_validate(base | changes)


def chunks(data, rule, *, before=b"", block=1 << 20):
    content = Content(
        "file",
        before.count(b"\n"),
        lambda: iter([before]),
        lambda: (data[i : i + block] for i in range(0, len(data), block)),
    )
    return list(delimited.read(content, rule))


def rows(data, rule, **how):
    found = chunks(data, rule, **how)
    return [
        tuple(float(v) if i and v is not None else v for i, v in enumerate(line))
        for chunk in found
        for line in chunk.frame.select("time_0", "v:T", "v:R").iter_rows()
    ]


def faults(data, rule, **how):
    return [f for chunk in chunks(data, rule, **how) for f in chunk.faults.rows()]


PLAIN = b"t,T,R\n2020-06-01 00:00,1.5,0.2\n2020-06-01 01:00,-2,0\n"
READ = [("2020-06-01 00:00", 1.5, 0.2), ("2020-06-01 01:00", -2.0, 0.0)]


def test_plain():
    assert rows(PLAIN, layout()) == READ


REMARKS = [
    "",
    " cloudy",
    "  rain fell from 3 to 5",
    ' 2" of hail, 1 pane',
    "   -",
]


@pytest.mark.parametrize("head", ["t clock T R remarks\n", ""])
@pytest.mark.parametrize("first", range(len(REMARKS)))
def test_free_text_in_the_last_of_columns_parted_by_blanks(head, first):
    rule = layout(
        delimiter="space", text_last=True, time={"columns": ["t", "clock"], "offset": "Z"}
    )
    if not head:
        rule = layout(
            delimiter="space",
            text_last=True,
            header=0,
            time={"columns": ["1", "2"], "offset": "Z"},
            columns={"3": {"quantity": "air_temp"}, "4": {"quantity": "rain", "unit": "mm"}},
        )
    remarks = REMARKS[first:] + REMARKS[:first]
    lines = [f"2020-06-01  0{i}:00   {i}.5    0.{i}{text}\n" for i, text in enumerate(remarks)]
    data = (head + "".join(lines) + "2020-06-01 09:00  1.5\n").encode()
    (chunk,) = chunks(data, rule)
    values = chunk.frame.select(pl.col("^v:.*$").cast(pl.Float64)).rows()
    assert values == [(i + 0.5, i / 10) for i in range(len(remarks))]
    ((line, *_, cause, found, _),) = chunk.faults.rows()
    assert (line, cause, found) == (len(lines) + bool(head) + 1, "half-written line", "3 fields")


def test_columns_are_found_by_name_not_place():
    data = b"x,R,t, t2 ,T\nn,0.2,2020-06-01 00:00,z,1.5\nn,0,2020-06-01 01:00,z,-2\n"
    assert rows(data, layout()) == READ


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "cp1252"])
def test_encodings(encoding):
    text = "t;Temp (°C);R\r\n;°C;mm\r\n2020-06-01 00:00;1,5;0,2\r\n2020-06-01 01:00;-2;0\r\n"
    rule = layout(
        encoding=encoding,
        delimiter=";",
        decimal=",",
        after_header=1,
        columns={
            "T": {"quantity": "air_temp", "names": ["Temp (°C)"]},
            "R": {"quantity": "rain"},
        },
    )
    assert rows(text.encode(encoding), rule, block=7) == READ


@pytest.mark.parametrize("name", ["Radiation (kJ/m²)", "Tempé (°C)", "Wärme (µV)"])
def test_a_heading_that_went_through_another_encoding(name):
    data = PLAIN.replace(b"T,", name.encode().decode("cp1252").encode() + b",", 1)
    (chunk,) = chunks(data, layout(columns={name: {"quantity": "air_temp", "trust_unit": False}}))
    assert chunk.frame[f"v:{name}"].to_list() == [1.5, -2.0]


def test_a_mangled_degree_sign_in_the_heading():
    data = PLAIN.replace(b"T,", "Temp (°C),".encode("cp1252"), 1)
    rule = layout(columns={"Temp (°C)": {"quantity": "air_temp"}})
    (chunk,) = chunks(data, rule)
    assert chunk.frame["v:Temp (°C)"].to_list() == [1.5, -2.0]


def test_headings_of_other_letters_are_not_taken_for_each_other():
    # humidity where the layout says temperature, both in Cyrillic
    rule = layout(columns={"температура": {"quantity": "air_temp"}, "R": {"quantity": "rain"}})
    data = "t,влажность,R\n2020-06-01 00:00,61,0.2\n".encode()
    (chunk,) = chunks(data, rule)
    assert "v:температура" not in chunk.frame.columns
    assert chunk.absent == ("температура",)
    (same,) = chunks(data.replace("влажность".encode(), "ТЕМПЕРАТУРА ".encode()), rule)
    assert same.frame["v:температура"].cast(float).to_list() == [61.0]


def test_a_byte_order_mark_and_old_line_ends():
    assert rows(codecs.BOM_UTF8 + PLAIN.replace(b"\n", b"\r"), layout()) == READ


def test_preamble_found_by_number_or_by_its_words():
    data = b"site 7\nserial,99\n" + PLAIN
    assert rows(data, layout(skip=2)) == READ
    assert rows(data, layout(header_starts="t,T")) == READ


def test_two_heading_rows_are_joined():
    data = PLAIN.replace(b"t,T,R\n", b"t,Air,Rain\n,T,R\n")
    rule = layout(
        header=2, columns={"Air T": {"quantity": "air_temp"}, "Rain R": {"quantity": "rain"}}
    )
    (chunk,) = chunks(data, rule)
    assert chunk.frame["v:Rain R"].to_list() == [0.2, 0.0]


def test_no_heading_at_all():
    rule = layout(
        header=0,
        time={"columns": ["1"], "offset": "Z"},
        columns={"2": {"quantity": "air_temp"}, "3": {"quantity": "rain"}},
    )
    (chunk,) = chunks(PLAIN.split(b"\n", 1)[1], rule)
    assert chunk.frame["v:2"].to_list() == [1.5, -2.0]


def test_a_heading_again_with_nothing_between_under_a_preamble():
    rule = layout(skip=1)
    data = b"a logger's name\n" + PLAIN.replace(b"\n", b"\nt,R,T\n", 1)
    assert len(rows(data, rule)) == 2


def test_headings_that_come_again_in_another_order():
    data = PLAIN + b"t,R,T\n2020-06-01 02:00,0.4,3\n\n" + b"t,R,T\n2020-06-01 03:00,0.6,4\n"
    assert rows(data, layout())[2:] == [("2020-06-01 02:00", 3, 0.4), ("2020-06-01 03:00", 4, 0.6)]
    assert chunks(data, layout())[-1].frame["line"].to_list() == [8]


@pytest.mark.parametrize(
    "heading",
    [
        b"T,R,t",
        b"\xef\xbb\xbft,R,T",  # files joined as they were
        b"R,T, T ime",
        b"r,TIME,T,wind",
        b"wind,gust,sun,R,T,t",
        b"t,R,T,",
    ],
)
def test_a_second_heading_brings_its_own_order(heading):
    rule = layout(time={"columns": ["time"], "offset": "Z"})
    heading = heading.replace(b"t,", b"time,").replace(b",t", b",time")
    names = heading.removeprefix(b"\xef\xbb\xbf").decode().lower().replace(" ", "").split(",")
    cells = {"time": "2020-06-01 02:00", "t": "3", "r": "0.4"}
    line = ",".join(cells.get(name, "") for name in names).encode()
    data = PLAIN.replace(b"t,", b"time,", 1) + heading + b"\n" + line + b"\n"
    for found in (
        rows(data, rule),
        rows(PLAIN.replace(b"t,", b"time,", 1), rule)
        + rows(line + b"\n", rule, before=data[: -len(line) - 1]),
    ):
        assert found == [*READ, ("2020-06-01 02:00", 3, 0.4)]
    assert faults(data, rule) == []


@pytest.mark.parametrize(
    ("line", "cause", "found"),
    [
        (b"when,air,rain", "another heading", "when, air, rain in line 4"),
        (b"T,R,S", "no such column", "the headings T, R, S in line 4"),
        (b",degF,mm", "another unit", "T in degF in line 4"),
        (b",\xc2\xb0C,inch", "another unit", "R in inch in line 4"),
        (b"t,R [in],T", "another unit", "'R [in]' in in in line 4"),
    ],
)
def test_a_line_under_which_the_layout_does_not_hold_stops_the_file(line, cause, found):
    columns = {"T": {"quantity": "air_temp"}, "R": {"quantity": "rain", "names": ["R [in]"]}}
    rule = layout(columns=columns)
    data = PLAIN + line + b"\n2020-06-01 02:00,3,0.4\n"
    assert rows(data, rule) == READ
    assert [fault[:1] + fault[3:5] for fault in faults(data, rule)] == [
        (n, cause, found) for n in (4, 5)
    ]
    later = faults(b"2020-06-01 03:00,3,0.4\n", rule, before=data)
    assert [fault[0] for fault in later] == [6]


@pytest.mark.parametrize(
    "line",
    [
        b"logger restarted,,",
        b",\xc2\xb0C,mm",
        b",C,mm/h",
        b"TS,deg,mm",
        b",Avg,Tot",
        b",Smp,Smp",
        b"battery,low,low",
    ],
)
def test_other_words_among_the_rows_stop_nothing(line):
    data = PLAIN + line + b"\n2020-06-01 02:00,3,0.4\n"
    found = [chunk.frame["time_0"][-1] for chunk in chunks(data, layout())]
    assert (found, faults(data, layout())) == (["2020-06-01 02:00"], [])


def test_a_units_row_is_compared_with_the_layout():
    data = PLAIN.replace(b"\n", b"\n,degC,mm\n", 1)
    assert rows(data, layout(after_header=1)) == READ
    for wrong in (b"degF,mm", b"degC,in", b"K,mm", b"mm,degC"):
        with pytest.raises(Unreadable, match="another unit"):
            chunks(data.replace(b"degC,mm", wrong), layout(after_header=1))


def test_a_heading_with_its_units_row_again_takes_no_row_for_units():
    data = PLAIN.replace(b"\n", b"\n,degC,mm\n", 1)
    again = b"t,R,T\n2020-06-01 02:00,0.4,3\n"
    rule = layout(after_header=1)
    assert rows(data + again, rule)[2:] == [("2020-06-01 02:00", 3, 0.4)]
    wrong = again.replace(b"\n", b"\n,in,degC\n", 1)
    assert [fault[3] for fault in faults(data + wrong, rule)] == ["another unit"] * 3


@pytest.mark.parametrize("other", ["ΔT", "T₂", "Tₐ"])
def test_names_that_differ_in_letters_beyond_ascii_are_different(other):
    rule = layout(columns={"T": {"quantity": "air_temp"}, other: {"quantity": "dew_point"}})
    (chunk,) = chunks(f"t,{other}\n2020-06-01 00:00,9\n".encode(), rule)
    assert chunk.absent == ("T",)
    assert chunk.frame[f"v:{other}"].to_list() == [9]
    with pytest.raises(Unreadable, match="none of the layout's columns"):
        chunks(f"t,{other}\n2020-06-01 00:00,9\n".encode(), layout())


def test_a_delimiter_behind_the_last_field_is_no_field():
    for data in (
        PLAIN.replace(b"0.2\n", b"0.2,\n").replace(b",0\n", b",0,\n"),
        PLAIN.replace(b"0.2\n", b"0.2,\n"),
        PLAIN.replace(b"R\n", b"R,\n"),
    ):
        assert (rows(data, layout()), faults(data, layout())) == (READ, [])


def test_a_preamble_that_comes_again_is_not_rows():
    top = b"logger 7\nsite north\n"
    assert rows(top + PLAIN + top + PLAIN, layout(skip=2)) == READ * 2
    assert faults(top + PLAIN + top + PLAIN, layout(skip=2)) == []


def test_a_continued_file_uses_the_heading_in_force():
    before = PLAIN + b"t,R,T\n2020-06-01 02:00,0.4,3\n"
    (chunk,) = chunks(b"2020-06-01 03:00,0.6,4\n", layout(), before=before)
    assert chunk.frame.select("line", "v:T", "v:R").rows() == [(6, 4.0, 0.6)]


@pytest.mark.parametrize(
    ("line", "cause"),
    [
        (b"2020-06-01 02:00,1", "half-written line"),
        (b"2020-06-0", "half-written line"),
        (b"2020-06-01 02:00,1,2,3", "too many fields"),
        (b'2020-06-01 02:00,"1,2', "quotes that do not pair"),
    ],
)
def test_a_line_that_is_no_row_is_named_and_the_others_stand(line, cause):
    for data in (PLAIN + line, PLAIN + line + b"\n" + b"2020-06-01 09:00,9,9\n"):
        assert rows(data, layout())[:2] == READ
        ((number, _, extent, found_cause, _, _),) = faults(data, layout())
        assert (number, extent, found_cause) == (4, "row", cause)
        assert chunks(data, layout())[0].raw(4) == line.decode()


def test_blank_lines_and_lines_of_delimiters_are_nothing():
    data = PLAIN.replace(b"\n", b"\n\n,,\n\n")
    assert (rows(data, layout()), faults(data, layout())) == (READ, [])


def test_comments():
    assert rows(PLAIN + b"# battery changed\n", layout(comment="#")) == READ


def test_text_among_numbers_is_kept_for_the_door():
    (chunk,) = chunks(PLAIN + b"2020-06-01 02:00,broken,0\n", layout())
    assert chunk.frame["v:T"].to_list() == ["1.5", "-2", "broken"]
    assert chunk.frame["v:R"].to_list() == ["0.2", "0", "0"]


def test_nul_bytes_do_not_spoil_their_neighbours():
    data = PLAIN + b"\x00\x00\x00\x00\n2020-06-01 02:00,3,0.4\n"
    assert rows(data, layout())[-1] == ("2020-06-01 02:00", 3, 0.4)


def test_many_blanks_as_one_delimiter():
    data = b"  t   T  R\n 2020-06-01T00:00   1.5  0.2 \n2020-06-01T01:00\t-2 0\n"
    found = rows(data, layout(delimiter="space"))
    assert [line[1:] for line in found] == [line[1:] for line in READ]


def test_quoted_cells_hold_their_delimiter():
    data = b't,T,R\n"2020-06-01 00:00","1,5","0,2"\n2020-06-01 01:00,"-2",0\n'
    assert rows(data.replace(b"1,5", b"1.5").replace(b"0,2", b"0.2"), layout()) == READ
    (chunk,) = chunks(data, layout(decimal=","))
    assert chunk.frame["v:T"].to_list() == [1.5, -2.0]


@pytest.mark.parametrize(
    ("data", "cause"),
    [
        (b"a,b,c\n1,2,3\n", "no such column"),
        (b"t,b,c\n2020-06-01,2,3\n", "none of the layout's columns"),
        (b"", None),
        (b"\n\n", "nothing in it"),
    ],
)
def test_a_file_of_another_kind_is_refused_whole(data, cause):
    if cause is None:
        assert chunks(data, layout()) == []
        return
    with pytest.raises(Unreadable, match=cause):
        chunks(data, layout())


def test_a_missing_column_is_said_and_the_rest_is_read():
    (chunk,) = chunks(b"t,T\n2020-06-01 00:00,1.5\n", layout())
    assert chunk.absent == ("R",)
    assert chunk.frame.columns == ["line", "time_0", "v:T"]


def test_large_files_come_in_pieces_with_their_own_line_numbers(monkeypatch):
    monkeypatch.setattr(delimited, "PIECE", 300)
    lines = b"".join(
        b"2020-06-01 %02d:%02d,%d,0\n" % (h, m, h) for h in range(24) for m in range(60)
    )
    found = chunks(b"t,T,R\n" + lines, layout(), block=100)
    frame = pl.concat(chunk.frame for chunk in found)
    assert len(found) > 50
    assert frame["line"].to_list() == list(range(2, 2 + 1440))
    assert frame["v:T"].sum() == sum(range(24)) * 60


def test_a_heading_line_that_does_not_come():
    with pytest.raises(Unreadable, match="no heading line"):
        chunks(PLAIN, layout(header_starts="time"))
