import pytest

from flows.readers import uscrn
from schemas.layout import Layout
from tests.flows.readers.reading import chunks

# A line of each product as the network writes them (values invented).
DAILY = (
    "53974 20200601  2.622  -96.61   39.10    28.1    14.0    21.1    20.9    12.4    22.31 R    "
    "40.0    13.0    23.0    95.1    40.2    70.3 -99.000   0.301   0.314 -99.000 -99.000    "
    "21.0    20.5    19.8 -9999.0 -9999.0\n"
)
HOURLY = (
    "53974 20200601 0600 20200601 0000  2.622  -96.61   39.10    15.9    16.2    16.7    15.8     "
    "0.4    300 {flag}   310 0   290 0 R    14.0 0    15.0 0    13.0 0    88 0   0.301   0.302 "
    "-99.000 -99.000 -99.000    18.0    18.5    19.0    20.0 -9999.0\n"
)


def test_column_counts_are_those_of_the_products():
    assert (len(uscrn.DAILY), len(uscrn.HOURLY)) == (28, 38)
    assert len(DAILY.split()) == 28
    assert len(HOURLY.format(flag=0).split()) == 38


def test_daily_needs_nothing_but_its_name():
    rule = Layout(format="uscrn_daily")  # type: ignore[call-arg]
    (chunk,) = chunks(DAILY.encode(), rule)
    row = chunk.frame.row(0, named=True)
    assert row["time_0"] == "20200601"
    assert row["v:T_DAILY_MAX"] == 28.1
    assert row["v:P_DAILY_CALC"] == 12.4
    assert row["v:SOIL_MOISTURE_10_DAILY"] == 0.301
    assert row["v:SOIL_TEMP_5_DAILY"] == 21.0
    assert rule.step_s == 86400
    assert rule.stamp == "start"


@pytest.mark.parametrize(("flag", "radiation"), [(0, 300), (3, None)])
def test_hourly_in_utc_at_the_end_of_the_hour(flag, radiation):
    rule = Layout(format="uscrn_hourly")  # type: ignore[call-arg]
    (chunk,) = chunks(HOURLY.format(flag=flag).encode(), rule)
    row = chunk.frame.row(0, named=True)
    assert (row["time_0"], row["time_1"]) == ("20200601", "0600")
    assert row["v:SOLARAD"] == radiation
    assert row["v:P_CALC"] == 0.4
    assert row["v:SOIL_TEMP_50"] == 20.0
    assert (rule.time.offset, rule.stamp) == ("Z", "end")


def test_own_columns_stand_over_the_formats():
    rule = Layout.model_validate(
        {"format": "uscrn_daily", "columns": {"T_DAILY_AVG": {"quantity": "air_temp", "high": 20}}}
    )
    assert rule.columns["T_DAILY_AVG"].high == 20
    assert "P_DAILY_CALC" in rule.columns
