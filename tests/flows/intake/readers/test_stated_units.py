import json

import pytest

from flows.intake.readers.chunk import Unreadable
from schemas.farm.layout import Layout
from tests.flows.intake.readers.reading import chunks

RULE = {
    "format": "sensorthings",
    "step": "1 h",
    "columns": {
        "T": {"quantity": "air_temp"},
        "W": {"quantity": "vwc", "unit": "m^3/m^3", "depth_cm": 10},
    },
}


@pytest.mark.parametrize(
    ("name", "symbol", "refused"),
    [
        ("T", "Cel", False),
        ("T", "[degF]", True),
        ("T", "K", True),
        ("T", "%", True),
        ("W", "%", True),
        ("W", "m3/m3", False),
        ("T", "furlong", False),  # not known here: not checked
        ("other", "%", False),
    ],
)
def test_units_are_checked_by_their_symbol(name, symbol, refused):
    unit = {"name": "", "symbol": symbol, "definition": ""}
    streams = ({"name": "T"}, {"name": name, "unitOfMeasurement": unit})
    observed = [
        {"phenomenonTime": f"2020-06-01T{hour:02}:00:00Z", "result": 0.3, "Datastream": stream}
        for hour, stream in enumerate(streams)
    ]
    body = {"value": observed}
    rule = Layout.model_validate(RULE)
    if refused:
        with pytest.raises(Unreadable, match="another unit"):
            chunks(json.dumps(body).encode(), rule)
    else:
        (chunk,) = chunks(json.dumps(body).encode(), rule)
        assert chunk.frame.height == 2


@pytest.mark.parametrize(
    ("key", "refused"),
    [
        ("air_degF", True),
        ("air (F)", True),
        ("air_degC", False),
        ("air_temp", False),
        ("air.degF", True),
    ],
)
@pytest.mark.parametrize("form", ["json", "ndjson"])
def test_a_unit_in_a_records_key_is_compared_as_one_in_a_heading(key, refused, form):
    rule = Layout.model_validate(
        {
            "format": form,
            "step": "1 h",
            "time": {"columns": ["t"], "offset": "Z"},
            "columns": {"T": {"quantity": "air_temp", "unit": "degC", "names": [key]}},
        }
    )
    outer, _, inner = key.partition(".")
    record = {"t": "2020-06-01 00:00", outer: {inner: 50} if inner else 50}
    data = json.dumps([record] if form == "json" else record).encode() + b"\n"
    if refused:
        with pytest.raises(Unreadable, match="another unit"):
            chunks(data, rule)
    else:
        assert chunks(data, rule)[0].frame.height == 1
