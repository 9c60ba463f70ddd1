import json

import pytest

from flows.intake.readers.chunk import Unreadable
from schemas.farm.layout import Layout
from tests.flows.intake.readers.reading import READ, chunks, faults, layout, rows

RECORDS = [
    {"t": "2020-06-01 00:00", "T": 1.5, "R": 0.2},
    {"t": "2020-06-01 01:00", "T": "-2", "R": 0, "more": [1]},
]
NESTED = {
    "columns": {
        "air.temp": {"quantity": "air_temp", "names": ["air_temp"]},
        "rain.0.mm": {"quantity": "rain"},
    }
}


def test_a_list_of_records():
    assert rows(json.dumps(RECORDS).encode(), layout(format="json")) == READ
    assert rows(json.dumps(RECORDS).encode("utf-16"), layout(format="json")) == READ


def test_records_further_down_and_values_by_path():
    observed = [
        {"t": "2020-06-01 00:00", "air": {"temp": 1.5}, "rain": [{"mm": 0.2}]},
        {"t": "2020-06-01 01:00", "air.temp": -2, "rain": [{"mm": 0}]},
    ]
    data = {"meta": {}, "data": {"obs": observed}}
    rule = layout(format="json", records="data.obs", **NESTED)
    assert rows(json.dumps(data).encode(), rule, "time_0", "v:air.temp", "v:rain.0.mm") == READ


def test_a_table_of_lists():
    data = {"hourly": {"t": [r["t"] for r in RECORDS], "T": [1.5, -2], "R": [0.2, 0]}}
    assert rows(json.dumps(data).encode(), layout(format="json", records="hourly")) == READ


def test_ndjson_keeps_good_lines_and_names_bad_ones():
    lines = [json.dumps(RECORDS[0]), '{"t": "2020-06-01', "[1]", "", json.dumps(RECORDS[1])]
    data = "\n".join(lines).encode()
    rule = layout(format="ndjson")
    for block in (1, 5, 1 << 20):
        assert rows(data, rule, block=block) == READ
    assert [fault[0] for fault in faults(data, rule)] == [2, 3]
    (chunk,) = chunks(data, rule)
    assert chunk.frame["line"].to_list() == [1, 5]
    assert chunk.raw(2) == lines[1]
    assert rows(lines[4].encode(), rule, before="\n".join([*lines[:4], ""]).encode()) == READ[1:]


def test_numbers_stay_as_written():
    data = b'[{"t": "x", "T": 1.10, "R": 12345678901234567890}]'
    (chunk,) = chunks(data, layout(format="json"))
    assert chunk.frame.row(0)[1:] == ("x", "1.10", "12345678901234567890")


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"{", "not JSON"),
        (b"[" * 100_000, "not JSON"),
        (b"[]", "nothing in it"),
        (b'{"a": 1}', "no such column"),
        (b'[{"t": "2020"}]', "none of the layout's columns"),
        (b'{"x": [1, 2], "t": [1]}', "lists of unlike length"),
        (b"3", "no such records"),
    ],
)
def test_what_cannot_be_read_is_said(data, said):
    with pytest.raises(Unreadable, match=said):
        rows(data, layout(format="json"))


# The forms of OGC 18-088 SensorThings API part 1: observations with an expanded datastream, and the
# data-array form of its extension; see tests/flows/intake/sources/test_sensorthings.py for a service of them.
THINGS = {
    "format": "sensorthings",
    "step": "1 h",
    "columns": {"T": {"quantity": "air_temp"}, "R": {"quantity": "rain"}},
}


def test_sensorthings_observations():
    rule = Layout.model_validate(THINGS)
    hour = "2020-06-01T00:00:00Z/2020-06-01T01:00:00Z"
    observed = [
        {"phenomenonTime": "2020-06-01T00:00:00Z", "result": 1.5, "Datastream": {"name": "T"}},
        {"phenomenonTime": hour, "result": 0.2, "Datastream": {"name": "R"}},
    ]
    observations = {"value": observed}
    (chunk,) = chunks(json.dumps(observations).encode(), rule)
    assert chunk.frame.select("time_0", "series", "value").rows() == [
        ("2020-06-01T00:00:00Z", "T", "1.5"),
        ("2020-06-01T01:00:00Z", "R", "0.2"),
    ]


def test_sensorthings_data_array_of_one_series():
    rule = Layout.model_validate(THINGS | {"columns": {"T": {"quantity": "air_temp"}}})
    names, row = ["id", "phenomenonTime", "result"], [1, "2020-06-01T00:00:00Z", 1.5]
    observations = {"value": [{"components": names, "dataArray": [row]}]}
    (chunk,) = chunks(json.dumps(observations).encode(), rule)
    assert chunk.frame.select("time_0", "series", "value").rows() == [
        ("2020-06-01T00:00:00Z", "T", "1.5")
    ]
    assert chunks(b'{"value": []}', rule) == []
