import pytest

from flows.intake.readers import uscrn
from schemas.farm.layout import Layout
from schemas.flags import meaning_of
from tests.flows.intake.readers.reading import chunks

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


# First column of each field: readme of hourly02, format 03 (NOAA NCEI), 'cols 1 -- 5 WBANNO' and on.
_FIELDS = """
WBANNO:1 UTC_DATE:7 UTC_TIME:16 LST_DATE:21 LST_TIME:30 CRX_VN:35 LONGITUDE:42 LATITUDE:50
T_CALC:58 T_HR_AVG:66 T_MAX:74 T_MIN:82 P_CALC:90 SOLARAD:98 SOLARAD_FLAG:105 SOLARAD_MAX:107
SOLARAD_MAX_FLAG:114 SOLARAD_MIN:116 SOLARAD_MIN_FLAG:123 SUR_TEMP_TYPE:125 SUR_TEMP:127
SUR_TEMP_FLAG:135 SUR_TEMP_MAX:137 SUR_TEMP_MAX_FLAG:145 SUR_TEMP_MIN:147 SUR_TEMP_MIN_FLAG:155
RH_HR_AVG:157 RH_HR_AVG_FLAG:163 SOIL_MOISTURE_5:165 SOIL_MOISTURE_10:173 SOIL_MOISTURE_20:181
SOIL_MOISTURE_50:189 SOIL_MOISTURE_100:197 SOIL_TEMP_5:205 SOIL_TEMP_10:213 SOIL_TEMP_20:221
SOIL_TEMP_50:229 SOIL_TEMP_100:237
"""
PUBLISHED = {name: int(at) for name, at in (f.split(":") for f in _FIELDS.split())}
END = 243
# Readme of daily01 (NOAA NCEI), fields 1 to 28.
PUBLISHED_DAILY = [
    "WBANNO",
    "LST_DATE",
    "CRX_VN",
    "LONGITUDE",
    "LATITUDE",
    "T_DAILY_MAX",
    "T_DAILY_MIN",
    "T_DAILY_MEAN",
    "T_DAILY_AVG",
    "P_DAILY_CALC",
    "SOLARAD_DAILY",
    "SUR_TEMP_DAILY_TYPE",
    "SUR_TEMP_DAILY_MAX",
    "SUR_TEMP_DAILY_MIN",
    "SUR_TEMP_DAILY_AVG",
    "RH_DAILY_MAX",
    "RH_DAILY_MIN",
    "RH_DAILY_AVG",
    "SOIL_MOISTURE_5_DAILY",
    "SOIL_MOISTURE_10_DAILY",
    "SOIL_MOISTURE_20_DAILY",
    "SOIL_MOISTURE_50_DAILY",
    "SOIL_MOISTURE_100_DAILY",
    "SOIL_TEMP_5_DAILY",
    "SOIL_TEMP_10_DAILY",
    "SOIL_TEMP_20_DAILY",
    "SOIL_TEMP_50_DAILY",
    "SOIL_TEMP_100_DAILY",
]


def test_the_columns_are_the_published_ones():
    assert list(PUBLISHED) == list(uscrn.HOURLY)
    assert list(uscrn.DAILY) == PUBLISHED_DAILY


def test_a_line_in_the_published_columns_is_read_by_their_names():
    ends = [*list(PUBLISHED.values())[1:], END + 2]
    missing = {7: "-9999.0", 6: "-99999", 5: "-9999", 1: "0"}
    cells = {"UTC_DATE": "20200601", "UTC_TIME": "600", "LST_DATE": "20200601", "LST_TIME": "0"}
    cells |= {"WBANNO": "53974", "CRX_VN": "2.622", "LONGITUDE": "-96.61", "LATITUDE": "39.10"}
    cells |= {"T_HR_AVG": "16.2", "P_CALC": "0.4", "SUR_TEMP_TYPE": "C", "SOIL_TEMP_100": "12.5"}
    cells |= {"RH_HR_AVG": "88", "SOIL_MOISTURE_20": "0.302", "SOIL_MOISTURE_5": "-99.000"}
    line = ""
    for (name, first), end in zip(PUBLISHED.items(), ends, strict=True):
        width = end - first - 1
        line = line.ljust(first - 1) + cells.get(name, missing.get(width, "")).rjust(width)
    assert len(line) == END
    (chunk,) = chunks(line.encode() + b"\n", Layout(format="uscrn_hourly"))  # type: ignore[call-arg]
    row = chunk.frame.row(0, named=True)
    assert (row["v:T_HR_AVG"], row["v:P_CALC"], row["v:RH_HR_AVG"]) == (16.2, 0.4, 88)
    assert (row["v:SOIL_MOISTURE_20"], row["v:SOIL_TEMP_100"]) == (0.302, 12.5)


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


@pytest.mark.parametrize(("flag", "meaning"), [(0, "good"), (3, "suspect")])
def test_hourly_in_utc_at_the_end_of_the_hour(flag, meaning):
    rule = Layout(format="uscrn_hourly")  # type: ignore[call-arg]
    (chunk,) = chunks(HOURLY.format(flag=flag).encode(), rule)
    row = chunk.frame.row(0, named=True)
    assert (row["time_0"], row["time_1"]) == ("20200601", "0600")
    assert row["v:SOLARAD"] == 300
    assert meaning_of(row["f:SOLARAD"], rule.flags_of("SOLARAD")) == meaning
    assert row["v:P_CALC"] == 0.4
    assert row["v:SOIL_TEMP_50"] == 20.0
    assert (rule.time.offset, rule.stamp) == ("Z", "end")


def test_own_columns_stand_over_the_formats():
    rule = Layout.model_validate(
        {"format": "uscrn_daily", "columns": {"T_DAILY_AVG": {"quantity": "air_temp", "high": 20}}}
    )
    assert rule.columns["T_DAILY_AVG"].high == 20
    assert "P_DAILY_CALC" in rule.columns
