from datetime import datetime

import pytest

from tests.flows.setup.sniff.invented_exports import asked, days, hours, sniffed


@pytest.mark.parametrize("names", ["YEAR,MO,DY", "Year,Month,Day"])
def test_year_month_and_day_in_columns_of_their_own(names):
    rows = [(*map(int, day.split("-")), 15 + i % 9, 3) for i, day in enumerate(days(200))]
    layout = sniffed(f"{names},T2M,WS2M", rows).layout
    assert layout["time"]["columns"] == names.split(",")
    assert (layout["time"]["format"], layout["step"]) == ("%Y %m %d", "1 day")


def test_and_the_hour_in_a_fourth():
    times = [datetime.fromisoformat(t) for t in hours(24 * 40)]
    rows = [(t.year, t.month, t.day, t.hour, 15 + i % 9) for i, t in enumerate(times)]
    layout = sniffed("YEAR,MO,DY,HR,T2M", rows).layout
    assert layout["time"]["columns"] == ["YEAR", "MO", "DY", "HR"]
    assert (layout["time"]["format"], layout["step"]) == ("%Y %m %d %H", "1 h")


def test_the_other_end_of_the_interval_is_no_column_of_numbers():
    times = [datetime.fromisoformat(t) for t in hours(99)]
    rows = [
        (f"{t:%Y%m%d%H%M}", f"{t:%Y%m%d}{t.hour:02d}59", 15 + i % 9) for i, t in enumerate(times)
    ]
    proposal = sniffed("TIMESTAMP_START,TIMESTAMP_END,TA_F", rows)
    assert proposal.layout["time"]["columns"] == ["TIMESTAMP_START"]
    assert proposal.layout["stamp"] == "start"
    assert "columns.TIMESTAMP_END" not in asked(proposal)


def test_a_unit_that_only_a_record_of_that_heading_has():
    """Rain in meters of water, radiation in joules: no short heading says so, their record does."""
    rows = [
        (
            t,
            293 + i % 5,
            0.0012 if i % 40 == 0 else 0,
            max(0, 12 - abs(i % 24 - 12)) * 250_000,
            97_000,
        )
        for i, t in enumerate(hours(24 * 50))
    ]
    columns = sniffed("valid_time,t2m,tp,ssrd,sp", rows).layout["columns"]
    assert {name: rule["unit"] for name, rule in columns.items()} == {
        "t2m": "K",
        "tp": "m",
        "ssrd": "J/m^2",
        "sp": "Pa",
    }
    assert columns["ssrd"]["quantity"] == "solar_energy"
