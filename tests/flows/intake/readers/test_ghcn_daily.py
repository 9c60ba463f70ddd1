import pytest

from flows.intake.readers.chunk import Unreadable
from schemas.farm.layout import Layout
from schemas.flags import meaning_of
from tests.flows.intake.readers.reading import chunks, faults

RULE = Layout(format="ghcn_daily")  # type: ignore[call-arg]


def line(element, values, month="202002", station="USW00000001"):
    """A line of 269 characters: 31 times value, measurement, quality and source flag."""
    cells = [f"{v:>5}{flags}" if v is not None else "-9999   " for v, flags in values]
    cells += ["-9999   "] * (31 - len(cells))
    return f"{station}{month}{element}{''.join(cells)}"


TEXT = "\n".join(
    [
        line("TMAX", [(-56, "  S"), (12, " GS"), (None, ""), (-9999, "   ")]),
        line("PRCP", [(0, "T S"), (254, "  S")], "202001"),
    ]
)


def test_a_line_is_269_characters():
    assert {len(text) for text in TEXT.split("\n")} == {269}


def test_values_of_a_month_are_day_records():
    (chunk,) = chunks(TEXT.encode(), RULE)
    assert chunk.frame.select("line", "time_0", "series", "value", "flag").rows() == [
        (1, "20200201", "TMAX", "-56", ""),
        (2, "20200202", "TMAX", "12", "QG"),  # it failed the archive's own check
        (32, "20200101", "PRCP", "0", "MT"),
        (33, "20200102", "PRCP", "254", ""),
    ]
    assert chunk.raw(33).startswith("USW00000001202001PRCP")


def test_a_zero_that_was_presumed_is_no_measurement():
    text = line("PRCP", [(0, "P S"), (0, "  S"), (0, "T S"), (5, "B S")])
    (chunk,) = chunks(text.encode(), RULE)
    assert chunk.frame["time_0"].to_list() == ["20200202", "20200203", "20200204"]


def test_rain_of_several_days_is_rain_with_its_number_of_days():
    """Readme of GHCN-Daily: MDPR is a multiday total, DAPR how many days it is of."""
    text = "\n".join(
        [
            line("DAPR", [(-9999, "   "), (-9999, "   "), (3, "  S")]),
            line("MDPR", [(-9999, "   "), (-9999, "   "), (254, "  S"), (12, " KS")]),
            line("PRCP", [(10, "  S")]),
        ]
    )
    (chunk,) = chunks(text.encode(), RULE)
    assert chunk.frame.select("time_0", "series", "value", "flag", "days").rows() == [
        ("20200203", "PRCP", "254", "several", "3"),
        ("20200204", "PRCP", "12", "several QK", None),
        ("20200201", "PRCP", "10", "", None),
    ]


def test_what_the_published_flags_mean():
    flags = RULE.flags_of("PRCP")
    words = ["", "MT", "MB", "QG", "MT QG", "several", "several QK", "QZ"]
    assert [meaning_of(word, flags) for word in words] == [
        *("good", "trace", "good", "suspect", "suspect", "accumulated", "suspect", "suspect")
    ]
    assert meaning_of("several", RULE.flags_of("TMAX")) == "suspect"


def test_elements_are_in_the_published_units():
    """Readme of GHCN-Daily, section III: PRCP tenths of mm, TMAX/TMIN tenths of degC, SNWD mm,
    AWND and WSFG tenths of m/s; columns VALUE1 22-26, MFLAG1 27, QFLAG1 28, VALUE31 262-266."""
    units = {name: rule.unit for name, rule in RULE.columns.items()}
    assert units["PRCP"] == "0.1 mm"
    assert {units[e] for e in ("TMAX", "TMIN", "TAVG")} == {"0.1 degC"}
    assert (units["SNWD"], units["AWND"], units["WSFG"]) == ("mm", "0.1 m/s", "0.1 m/s")
    values = [(day, "  S") for day in range(1, 32)]
    text = line("TMAX", values, "202001")
    assert (text[21:26], text[261:266], len(text)) == ("    1", "   31", 269)
    (chunk,) = chunks(text.encode(), RULE)
    assert chunk.frame["value"].to_list() == [str(day) for day in range(1, 32)]


def test_a_line_cut_in_a_value_is_refused_from_there():
    cut = TEXT[: 270 + 21 + 8 + 3]
    (chunk,) = chunks(cut.encode(), RULE)
    assert chunk.frame.height == 3
    (fault,) = faults(cut.encode(), RULE)
    assert fault[0] == 33
    assert fault[3] == "half-written line"


def test_another_format_is_said():
    with pytest.raises(Unreadable, match="another format"):
        chunks(b"t,T\n2020-06-01,1\n", RULE)
