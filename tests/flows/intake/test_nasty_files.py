"""Files that look right and are not: each kind with what becomes of it.

``RIGHT``: lands as it was meant. ``REJECTED``: with the cause, the other values landing. What
``UNKNOWABLE`` holds lands as written, since the file is well-formed and nothing in it says
otherwise; README lists these. What is seen only later, by comparing days or stations, is tested
with ``station_health`` and ``rain_day``.
"""

import tomllib
from datetime import datetime

import polars as pl
import pytest

from flows.intake.door.admit import admit
from flows.intake.door.places import Places
from flows.intake.readers.chunk import Unreadable
from schemas.farm.farm import Farm
from tests.flows.intake.readers.reading import chunks, layout, zipped
from tests.flows.loggers import FARM, ask, drop, make, row, take

PLACES = Places.of(Farm.model_validate(tomllib.loads(FARM)))
SENDER = pl.DataFrame(
    {"seq": [1], "station": ["west"], "probe": [None], "received_at": [datetime(2020, 7, 2)]},
    schema_overrides={"probe": pl.String, "received_at": pl.Datetime("us")},
).with_columns(pl.col("received_at").dt.replace_time_zone("UTC"))
SOUND = "2020-06-01 09:00,9,0"
LANDED = (9, 9.0, 0.0)


def clock(form, **more):
    return {"time": {"columns": ["t"], "offset": "Z", "format": form, **more}}


# kind, rows under "t,T,R" beside a sound one, what the layout says beside the usual, what lands
RIGHT = [
    ("leap second", "2020-06-30 23:59:60,1,0", {}, [(0, 1, 0)]),
    ("midnight as 24:00", "2020-06-01 24:00,1,0", {}, [(0, 1, 0)]),
    ("delimiter behind each row", "2020-06-01 01:00,1,0,", {}, [(1, 1, 0)]),
    ("zone as in the layout", "2020-06-01T01:00Z,1,0", {}, [(1, 1, 0)]),
    ("second heading", "R,t,T\n0,2020-06-01 01:00,1\nt,T,R", {}, [(1, 1, 0)]),
    (
        "codes of the layout",
        "2020-06-01 01:00,---,6999",
        {"missing": ["---", 6999]},
        [(1, None, None)],
    ),
]
REJECTED = [
    ("nul bytes in a number", "2020-06-01 01:00,1\x005,0", {}, "not a number"),
    ("nul bytes in a stamp", "2020-06-01\x00 01:00,1,0", {}, "time not read"),
    ("clock reset to 2000", "2000-01-01 00:00,1,0", {}, "outside every spell"),
    ("clock a year ahead", "2021-06-01 00:00,1,0", {}, "time after its receipt"),
    ("two-digit year for four", "20-06-01 01:00,1,0", {}, "outside every spell"),
    ("decimal comma between commas", "2020-06-01 01:00,1,5,0", {}, "too many fields"),
    ("columns shifted by one", "2020-06-01 01:00,,1,0", {}, "too many fields"),
    ("shifted into other limits", "2020-06-01 01:00,0,-7", {}, "outside the limits"),
    ("code 6999", "2020-06-01 01:00,6999,0", {}, "outside the limits"),
    ("code 32767", "2020-06-01 01:00,32767,0", {}, "outside the limits"),
    ("code ---", "2020-06-01 01:00,---,0", {}, "not a number"),
    ("another zone in the stamp", "2020-06-01T01:00-06:00,1,0", {}, "another time zone"),
    ("units after new firmware", ",degF,inch\n2020-06-01 01:00,50,0", {}, "another unit"),
    ("another logger's rows", "when,air,rain\n2020-06-01 01:00,1,0", {}, "another heading"),
]
OTHER_CLOCK = [
    ("m/d among d/m", "06/13/2020 01:00", clock("%d/%m/%Y %H:%M"), "time not read"),
    ("AM/PM lost", "01/06/2020 01:00", clock("%d/%m/%Y %I:%M %p"), "time not read"),
    ("AM/PM not in the layout", "01/06/2020 01:00 PM", clock("%d/%m/%Y %H:%M"), "time not read"),
    ("four-digit year for two", "01/06/2020 01:00", clock("%d/%m/%y %H:%M"), "time not read"),
    ("two digits under %Y", "01/06/20 01:00", clock("%d/%m/%Y %H:%M"), "outside every spell"),
    ("epoch of nan", "nan", clock("epoch_s"), "time not read"),
    ("epoch of 1e30", "1e30", clock("epoch_s"), "time not read"),
]
UNKNOWABLE = [
    ("clock set back within a season", "2020-05-01 01:00,1,0", {}, [(1, 1, 0)]),
    ("clock 20 hours ahead", "2020-07-02 20:00,1,0", {}, [(20, 1, 0)]),
    ("points that part thousands", "2020-06-01 01:00,1.234,0", {}, [(1, 1.234, 0)]),
    ("columns exchanged within their limits", "2020-06-01 01:00,0,1", {}, [(1, 0, 1)]),
    ("a running total read as increments", "2020-06-01 01:00,1,812.4", {}, [(1, 1, 812.4)]),
    ("a missing code that may be a value", "2020-06-01 01:00,0,0", {}, [(1, 0, 0)]),
    (
        "d/m for m/d on a day up to the 12th",
        "05/06/2020 01:00,1,0",
        clock("%m/%d/%Y %H:%M"),
        [(1, 1, 0)],
    ),
]


def land(data, **changes):
    """What lands (hour in UTC, air temperature, rain) and the causes of what does not."""
    rule, landed, causes = layout(**changes), [], []
    for chunk in chunks(data, rule):
        causes += chunk.faults["cause"].to_list()
        if chunk.frame.is_empty():
            continue
        frame = chunk.frame.select(pl.lit(1, pl.Int64).alias("seq"), pl.all())
        found = admit(frame, rule, SENDER, PLACES)
        causes += found.rejected["cause"].to_list()
        for readings in found.readings.values():
            hour = pl.col("time").dt.hour()
            landed += readings.select(hour, "air_temp_c", "rain_mm").rows()
    return landed, causes


def text(rows):
    return f"t,T,R\n{rows}\n".encode()


@pytest.mark.parametrize(("kind", "rows", "rule", "lands"), RIGHT + UNKNOWABLE)
def test_lands_as_written(kind, rows, rule, lands):
    assert land(text(rows), **rule) == (lands, []), kind


@pytest.mark.parametrize(("kind", "rows", "rule", "cause"), REJECTED)
def test_rejected_with_its_cause(kind, rows, rule, cause):
    landed, causes = land(text(f"{SOUND}\n{rows}"), **rule)
    assert landed[0] == LANDED, kind
    assert not any(row[1] for row in landed[1:]), kind
    assert set(causes) == {cause}, kind


@pytest.mark.parametrize(("kind", "stamp", "rule", "cause"), OTHER_CLOCK)
def test_another_way_to_write_the_time_is_rejected(kind, stamp, rule, cause):
    assert land(text(f"{stamp},1,0"), **rule) == ([], [cause]), kind


@pytest.mark.parametrize("value", ["1,5", "1.234"])
def test_the_other_decimal_mark_in_some_rows_is_rejected(value):
    comma = value == "1.234"
    sound = "9,0" if comma else "9.0"
    data = f"t;T;R\n2020-06-01 09:00;{sound};0\n2020-06-01 10:00;{value};0\n".encode()
    landed, causes = land(data, delimiter=";", decimal="," if comma else ".")
    assert landed == [LANDED, (10, None, 0)]
    assert causes == ["not a number"]


def test_a_key_twice_in_a_record_is_rejected():
    twice = '{"t": "2020-06-01 08:00", "T": 1, "T": 2, "R": 0}'
    sound = '{"t": "2020-06-01 09:00", "T": 9, "R": 0}'
    lines = f"{twice}\n{sound}\n".encode()
    assert land(lines, format="ndjson") == ([LANDED], ["not a record"])
    with pytest.raises(Unreadable, match="'T' is twice"):
        land(f"[{twice}, {sound}]".encode(), format="json")


def test_a_corrected_export_beside_the_old_one_in_a_zip_is_flagged(tmp_path):
    folder = make(tmp_path / "farm", FARM.replace("*.csv", "*.zip"))
    path = drop(folder, "a.zip", [])
    heading = "t,T,R,S1,S2\n"
    members = {"a.csv": row(6, 50, 0, 0.3, 0.3), "a_corrected.csv": row(6, 59, 0, 0.3, 0.3)}
    path.write_bytes(zipped({n: f"{heading}{line}\n".encode() for n, line in members.items()}))
    take(folder)
    assert ask(folder, "SELECT air_temp_c FROM weather_reading") == [(15.0,)]
    assert ask(folder, "SELECT value, later_value FROM superseded_reading") == [(10.0, 15.0)]
