import pytest
from pydantic import ValidationError

from flows.intake.readers.by_format import cutter_of
from flows.intake.readers.chunk import Content, Unreadable
from flows.intake.readers.sections import together
from tests.flows.intake.readers.reading import chunks, layout, rows

# One line of facts of a station, then rows without headings, as soil networks publish them.
ABOVE = "NET  SITE_A  41.25 -111.50 2440.0 0.05 0.10 sensor-3"
LINES = ["2020/06/01 00:00  0.284  12.5", "2020/06/01 01:00  0.281  12.4"]
TEXT = "\n".join([ABOVE, *LINES, ""])
RULE = {
    "delimiter": "space",
    "skip": 1,
    "header": 0,
    "time": {"columns": ["1", "2"], "format": "%Y/%m/%d %H:%M", "offset": "Z"},
    "columns": {"3": {"quantity": "vwc", "unit": "m^3/m^3"}, "4": {"quantity": "soil_temp"}},
    "depth_unit": "m",
}
ROLES = ("time_0", "v:3", "v:4")


def facts_of(data, rule, **how):
    (chunk,) = chunks(data, rule, **how)
    return [chunk.frame[role].unique().to_list() for role in rule.facts]


def test_facts_by_line_and_word():
    rule = layout(
        **RULE,
        facts={"depth": {"line": 1, "word": 7}, "instrument": {"line": 1, "word": 2}},
    )
    assert facts_of(TEXT.encode(), rule) == [["0.10"], ["SITE_A"]]
    assert [r[1:] for r in rows(TEXT.encode(), rule, *ROLES)] == [(0.284, 12.5), (0.281, 12.4)]


@pytest.mark.parametrize(
    ("above", "fact"),
    [
        ("Site: Home place\nDepth: 7.5 cm\n", "7.5 cm"),
        ("site\nSensor depth = 7.5 cm, serial 12\n", "7.5 cm"),
        ('"depth","7.5 cm","x"\n\n', "7.5 cm"),
    ],
)
def test_facts_by_the_words_before_them(above, fact):
    rule = layout(
        skip=2,
        time={"columns": ["t"], "offset": "Z"},
        columns={"M": {"quantity": "vwc", "unit": "%"}},
        facts={"depth": {"after": "depth"}},
    )
    assert facts_of((above + "t,M\n2020-06-01 00:00,31\n").encode(), rule) == [[fact]]


def test_a_file_that_goes_on_keeps_the_facts_of_its_beginning():
    whole = TEXT.encode()
    at = whole.index(LINES[1].encode())
    rule = layout(**RULE, facts={"depth": {"line": 1, "word": 6}})
    assert facts_of(whole[at:], rule, before=whole[:at]) == [["0.05"]]
    fixed = {"1": [1, 10], "2": [12, 16], "3": [17, 23], "4": [24, 30]}
    rule = layout(**RULE | {"format": "fixed", "fields": fixed}, facts=rule.facts)
    assert facts_of(whole[at:], rule, before=whole[:at]) == [["0.05"]]
    assert facts_of(whole, rule) == [["0.05"]]


def test_files_parsed_together_keep_each_their_own_facts():
    where = {"instrument": {"line": 1, "word": 2}, "depth": {"line": 1, "word": 6}}
    rule = layout(**RULE, facts=where)
    sections = []
    for seq, site in enumerate(("SITE_A", "SITE_B", "SITE_A")):
        data = TEXT.replace("SITE_A", site).encode()
        content = Content("f", 0, lambda: iter(()), lambda data=data: iter([data]))
        sections += [(seq, section) for section in cutter_of(rule)(content, rule)]
    frames, alone = together(sections)
    found = {
        seq: frame.filter(seq=seq)["instrument"].unique().to_list()
        for frame in frames
        for seq in frame["seq"].unique()
    }
    found |= {s: x.parsed().frame["instrument"].unique().to_list() for s, x in alone}
    assert found == {0: ["SITE_A"], 1: ["SITE_B"], 2: ["SITE_A"]}


@pytest.mark.parametrize("where", [{"line": 1, "word": 9}, {"line": 3, "word": 1}])
def test_a_fact_that_is_not_there_rejects_the_file(where):
    rule = layout(**RULE, facts={"depth": where})
    with pytest.raises(Unreadable, match="no such fact: found NET") as error:
        chunks(TEXT.encode(), rule)
    assert error.value.expected == f"the depth as word {where['word']} of line {where['line']}"
    rule = layout(**RULE, facts={"depth": {"after": "Depth:"}})
    with pytest.raises(Unreadable, match="no such fact"):
        chunks(TEXT.encode(), rule)


def test_a_layout_says_a_fact_once_and_whole():
    for wrong in ({"line": 1}, {"word": 1}, {"line": 1, "word": 2, "after": "x"}, {}):
        with pytest.raises(ValidationError, match="say line and word"):
            layout(**RULE, facts={"depth": wrong})
    twice = {"facts": {"depth": {"line": 1, "word": 2}}, "depth_column": "5", "shape": "long"}
    with pytest.raises(ValidationError, match="say the same"):
        layout(**RULE, **twice)
