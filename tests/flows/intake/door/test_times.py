from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import polars as pl
import pytest
from pydantic import ValidationError

from flows.intake.door.times import read_times
from schemas.farm.layout import Layout


def layout(step="1 h", stamp="end", columns=("t",), **time):
    return Layout.model_validate(
        {
            "step": step,
            "stamp": stamp,
            "time": {"columns": columns, **time},
            "columns": {"T": {"quantity": "air_temp"}},
        }
    )


def read(stamps, rule, *more):
    stamps = pl.Series(stamps, dtype=pl.String)
    frame = pl.DataFrame({"seq": [1] * len(stamps), "time_0": stamps, **dict(more)})
    return read_times(frame, rule)["time"].to_list()


def utc(*parts):
    return datetime(*parts, tzinfo=UTC)


@pytest.mark.parametrize(
    ("stamp", "time", "expected"),
    [
        ("2020-06-01 12:00", {"offset": "-06:00"}, utc(2020, 6, 1, 18)),
        (
            "2020-06-01T12:00:00Z",
            {"offset": "-06:00", "trust_zone": False},
            utc(2020, 6, 1, 18),
        ),  # the Z is not true
        ("2020-06-01T12:00:00Z", {"trust_zone": True}, utc(2020, 6, 1, 12)),
        ("2020-06-01T12:00:00.250+09:30", {"trust_zone": True}, utc(2020, 6, 1, 2, 30, 0, 250000)),
        ("2020-06-01 24:00", {"offset": "Z"}, utc(2020, 6, 2)),
        ("2020-06-01", {"offset": "+0000"}, utc(2020, 6, 1)),
        ("20200601", {"offset": "Z"}, utc(2020, 6, 1)),
        ("2020-06-01 07", {"offset": "Z"}, utc(2020, 6, 1, 7)),
        ("03/04/2020 05:06", {"offset": "Z", "format": "%d/%m/%Y %H:%M"}, utc(2020, 4, 3, 5, 6)),
        ("03/04/2020 05:06", {"offset": "Z", "format": "%m/%d/%Y %H:%M"}, utc(2020, 3, 4, 5, 6)),
        ("1 Jun 2020 24:00", {"offset": "Z", "format": "%d %b %Y %H:%M"}, utc(2020, 6, 2)),
        ("1591012800", {"format": "epoch_s"}, utc(2020, 6, 1, 12)),
        ("nan", {"format": "epoch_s"}, None),
        ("1e30", {"format": "epoch_s"}, None),
        ("-inf", {"format": "epoch_ms"}, None),
        ("1591012800500", {"format": "epoch_ms"}, utc(2020, 6, 1, 12, 0, 0, 500000)),
        ("2020-06-01 12:00", {"zone": "America/Winnipeg"}, utc(2020, 6, 1, 17)),
        ("2020-01-01 12:00", {"zone": "America/Winnipeg"}, utc(2020, 1, 1, 18)),
    ],
)
def test_stamps(stamp, time, expected):
    assert read([stamp], layout(**time)) == [expected]


@pytest.mark.parametrize(
    ("stamp", "step", "ends"),
    [
        ("end", "30 min", utc(2020, 6, 1, 12)),
        ("start", "30 min", utc(2020, 6, 1, 12, 30)),
        ("middle", "30 min", utc(2020, 6, 1, 12, 15)),
        ("middle", "1 s", datetime(2020, 6, 1, 12, 0, 0, 500_000, tzinfo=UTC)),
        ("middle", "1 day", utc(2020, 6, 2)),
        ("instant", "30 min", utc(2020, 6, 1, 12)),
    ],
)
def test_a_reading_is_stored_under_the_end_of_its_interval(stamp, step, ends):
    assert read(["2020-06-01 12:00"], layout(step, stamp, offset="Z")) == [ends]


def test_an_interval_that_names_its_ends_has_no_middle_stamp():
    with pytest.raises(ValidationError, match="names its interval"):
        Layout.model_validate(
            {
                "format": "sensorthings",
                "step": "1 h",
                "stamp": "middle",
                "columns": {"T": {"quantity": "air_temp"}},
            }
        )


@pytest.mark.parametrize(
    "stamp",
    ["", "noon", "2020-13-01 00:00", "2020-06-01 25:00", "2020-06-010:00", "2020-06-0108:00", None],
)
def test_what_is_no_time_is_null(stamp):
    assert read([stamp], layout(offset="Z")) == [None]
    assert read(["2020-06-01 00:00", stamp], layout(offset="Z")) == [utc(2020, 6, 1), None]


@pytest.mark.parametrize(
    ("form", "good", "bad"),
    [
        ("%d.%m.%Y %H:%M", "1.6.2020 8:00", "1.6.20208:00"),
        ("%d %b %Y %H:%M", "1 Jun 2020 08:00", "1 Jun 202008:00"),
        ("%Y%m%d %H%M", "20200601 0800", "202006010800"),
        ("%Y-%m-%d %I:%M %p", "2020-06-01 8:00AM", "2020-06-018:00 AM"),
    ],
)
def test_a_stamp_of_which_a_piece_is_lost_is_no_other_hour(form, good, bad):
    assert read([good, bad], layout(offset="Z", format=form)) == [utc(2020, 6, 1, 8), None]


def test_a_stamp_at_the_start_is_moved_to_the_end():
    assert read(["2020-06-01 12:00"], layout(offset="Z", stamp="start", step="15 min")) == [
        utc(2020, 6, 1, 12, 15)
    ]


def test_date_and_time_in_two_columns():
    found = read(["2020-06-01"], layout(columns=("d", "t"), offset="Z"), ("time_1", [" 12:30"]))
    assert found == [utc(2020, 6, 1, 12, 30)]


@pytest.mark.parametrize(
    ("form", "cells", "expected"),
    [
        ("%Y %j hours", ("2020", "153", "0.5"), utc(2020, 6, 1, 0, 30)),
        ("%Y %j hours", ("2020.0", "153.0", "0,5"), utc(2020, 6, 1, 0, 30)),
        ("%Y %j hours", ("2020", " 1", "24"), utc(2020, 1, 2)),
        ("%Y %j hours", ("2020", "366", "23.98"), utc(2020, 12, 31, 23, 59)),
        ("%Y %j hours", ("2020", "153", "0.33"), utc(2020, 6, 1, 0, 20)),
        ("%Y %m %d hours", ("2020", "6", "1", "13.25"), utc(2020, 6, 1, 13, 15)),
        ("%Y-%m-%d hours", ("2020-06-01", "7"), utc(2020, 6, 1, 7)),
        ("%Y days", ("2020", "153.5"), utc(2020, 6, 1, 12)),
        ("%Y days", ("2020", "1.0208"), utc(2020, 1, 1, 0, 30)),
        ("%Y days", ("2019", "366.0"), utc(2020, 1, 1)),
        ("%Y %j hours", ("2020", "153", "24.5"), None),
        ("%Y %j hours", ("2020", "153", "-1"), None),
        ("%Y %j hours", ("2020", "153", ""), None),
        ("%Y %j hours", ("2019", "366", "1"), None),
        ("%Y days", ("2020", "0.5"), None),
    ],
)
def test_decimal_hours_and_days_of_the_year(form, cells, expected):
    rule = layout(columns=[f"c{i}" for i in range(len(cells))], offset="Z", format=form)
    more = [(f"time_{i}", [cell]) for i, cell in enumerate(cells[1:], 1)]
    assert read(cells[:1], rule, *more) == [expected]


def test_decimal_hours_are_seconds_where_the_step_is_no_whole_minute():
    rule = layout(step="10 s", columns=("d", "h"), offset="Z", format="%Y-%m-%d hours")
    found = read(["2020-06-01"], rule, ("time_1", ["0.0028"]))
    assert found == [utc(2020, 6, 1, 0, 0, 10)]


@pytest.mark.parametrize("minutes", [10, 15, 20, 30, 60])
@pytest.mark.parametrize("digits", [2, 4])
def test_every_decimal_hour_of_a_day_is_a_whole_step(minutes, digits):
    steps = range(1440 // minutes + 1)
    cells = [f"{i * minutes / 60:.{digits}f}" for i in steps]
    rule = layout(step=f"{minutes} min", columns=("y", "d", "h"), offset="Z", format="%Y %j hours")
    found = read(["2020"] * len(cells), rule, ("time_1", ["60"] * len(cells)), ("time_2", cells))
    assert found == [utc(2020, 2, 29) + timedelta(minutes=minutes * i) for i in steps]


class TestDaylightSaving:
    """Winnipeg: clocks went back on 2020-11-01 at 02:00 (CDT to CST), forward on 2020-03-08."""

    zone = layout(zone="America/Winnipeg")

    def test_the_hour_that_comes_twice(self):
        stamps = ["00:00", "01:00", "01:00", "02:00"]
        found = read([f"2020-11-01 {s}" for s in stamps], self.zone)
        assert found == [utc(2020, 11, 1, h) for h in (5, 6, 7, 8)]

    def test_one_pass_alone_is_told_by_its_neighbours(self):
        first = read(["2020-11-01 00:00", "2020-11-01 01:00"], self.zone)
        second = read(["2020-11-01 01:00", "2020-11-01 02:00"], self.zone)
        assert (first[1], second[0]) == (utc(2020, 11, 1, 6), utc(2020, 11, 1, 7))

    @pytest.mark.parametrize("minutes", [5, 15, 30, 60, 180])
    @pytest.mark.parametrize("begin", [utc(2020, 11, 1, 3), utc(2020, 11, 1, 6, 30)])
    @pytest.mark.parametrize("end", [utc(2020, 11, 1, 6, 30), utc(2020, 11, 1, 7, 20)])
    def test_a_record_may_begin_or_end_within_it(self, minutes, begin, end):
        steps = range(1 + (end - begin) // timedelta(minutes=minutes))
        times = [begin + timedelta(minutes=minutes * i) for i in steps]
        zone = ZoneInfo("America/Winnipeg")
        stamps = [t.astimezone(zone).strftime("%Y-%m-%d %H:%M") for t in times]
        found = read(stamps, layout(step=f"{minutes} min", zone="America/Winnipeg"))
        alone = [t for t in times if utc(2020, 11, 1, 6) <= t < utc(2020, 11, 1, 8)] == times
        fell_back = times[-1] >= utc(2020, 11, 1, 7) > times[0]
        assert found == ([None] * len(times) if alone and not fell_back else times)

    def test_a_row_written_twice_in_the_first_pass_is_not_the_second(self):
        stamps = ["00:45", "01:00", "01:15", "01:15", "01:30"]
        rule = layout(step="15 min", zone="America/Winnipeg")
        found = read([f"2020-11-01 {s}" for s in stamps], rule)
        assert found == [
            utc(2020, 11, 1, h, m) for h, m in ((5, 45), (6, 0), (6, 15), (6, 15), (6, 30))
        ]

    def test_a_clock_that_shows_it_once_only_is_not_guessed(self):
        found = read([f"2020-11-01 0{h}:00" for h in (0, 1, 2)], self.zone)
        assert found == [utc(2020, 11, 1, 5), None, utc(2020, 11, 1, 8)]

    def test_one_pass_with_nothing_beside_it_is_not_guessed(self):
        assert read(["2020-11-01 01:00"], self.zone) == [None]

    def test_an_hour_that_never_was_is_not_read(self):
        assert read(["2020-03-08 02:30"], self.zone) == [None]


@pytest.mark.parametrize(
    ("stamp", "expected"),
    [
        ("2020-06-01 7", utc(2020, 6, 1, 7)),
        ("2020-06-01 23", utc(2020, 6, 1, 23)),
        ("2020-06-01 24", utc(2020, 6, 2)),
    ],
)
def test_an_hour_alone_is_a_clock(stamp, expected):
    assert read([stamp], layout(format="%Y-%m-%d %H", offset="Z")) == [expected]


def test_a_daily_record_without_a_zone_keeps_the_days_of_the_farm():
    rule = layout(step="1 day", stamp="start", format="%Y%m%d")
    frame = pl.DataFrame({"seq": [1], "time_0": ["20200601"]})
    got = read_times(frame, rule, timedelta(hours=-6))["time"].to_list()
    assert got == [utc(2020, 6, 2, 6)]
    with pytest.raises(ValidationError, match="offset"):
        layout()
