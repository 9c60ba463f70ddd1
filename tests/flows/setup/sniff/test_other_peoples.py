"""Formats of open networks: what is proposed for them, and that it reads the file."""

from datetime import datetime, timedelta

import numpy as np
import pytest

from flows.setup.sniff.finding import Sure
from flows.setup.sniff.propose import propose
from schemas.farm.farm import Place
from schemas.farm.layout import Layout
from tests.flows.intake.readers.reading import chunks

PLACE = Place(latitude=49.6, longitude=-97.2, elevation_m=240, time_zone="America/Winnipeg")
HOURS = [datetime(2020, 6, 1) + timedelta(hours=i) for i in range(24 * 20)]
RANDOM = np.random.default_rng(7)
VWC = [f"{0.3 + 0.05 * np.sin(i / 50) + 0.002 * RANDOM.normal():.3f}" for i in range(len(HOURS))]
TEMP = [f"{16 + 7 * np.sin((at.hour - 9) / 24 * 2 * np.pi) + RANDOM.normal():.1f}" for at in HOURS]


def proposed(lines, place=PLACE):
    data = ("\n".join(lines) + "\n").encode()
    proposal = propose(data, place)
    layout = Layout.model_validate({**proposal.layout, "time": _zoned(proposal.layout["time"])})
    read = chunks(data, layout)
    assert sum(chunk.faults.height for chunk in read) == 0
    return proposal, sum(chunk.frame.height for chunk in read)


def _zoned(time):
    return time if {"offset", "zone"} & time.keys() else time | {"offset": "-06:00"}


def found(proposal, item):
    return [(f.value, f.sure) for f in proposal.found if f.item == item]


@pytest.mark.parametrize("step_min", [30, 60])
def test_year_day_of_year_and_decimal_hour(step_min):
    times = [HOURS[0] + timedelta(minutes=step_min * i) for i in range(400)]
    lines = ["YEAR,DOY,HOUR,Air Temp (C),VWC 10 cm"]
    lines += [
        f"{at:%Y},{at:%j},{at.hour + at.minute / 60:g},{temp},{vwc}"
        for at, temp, vwc in zip(times, TEMP, VWC, strict=False)
    ]
    proposal, rows = proposed(lines)
    time = proposal.layout["time"]
    assert time["columns"] == ["YEAR", "DOY", "HOUR"]
    assert time["format"] == ("%Y %j hours" if step_min == 30 else "%Y %j %H")
    assert (proposal.layout["step"], rows) == (
        f"{step_min // 60} h" if step_min == 60 else "30 min",
        400,
    )


def test_a_day_of_the_year_with_its_fraction():
    lines = ["Year,DOY,Air Temp (C)"]
    lines += [
        f"{at:%Y},{at.timetuple().tm_yday + at.hour / 24:.4f},{temp}"
        for at, temp in zip(HOURS, TEMP, strict=True)
    ]
    proposal, rows = proposed(lines)
    assert proposal.layout["time"]["columns"] == ["Year", "DOY"]
    assert proposal.layout["time"]["format"] == "%Y days"
    assert (proposal.layout["step"], rows) == ("1 h", len(HOURS))


def test_an_amount_beside_the_date_is_no_hour():
    days = [datetime(2020, 5, 1) + timedelta(days=i) for i in range(60)]
    lines = ["Date,Rain (mm)", *(f"{day:%Y-%m-%d},{i % 7 * 1.5}" for i, day in enumerate(days))]
    proposal, _ = proposed(lines)
    assert proposal.layout["time"]["columns"] == ["Date"]


def test_remarks_behind_columns_that_blanks_part():
    remarks = ["", "clear", "rain from 3 to 5, 2 mm", "gauge  emptied", ""]
    lines = ["DATE        TIME   TEMP   RAIN  REMARKS"]
    lines += [
        f"{at:%Y-%m-%d}  {at:%H:%M}  {temp:>5}   {0.2 * (i % 9 == 0):.1f}  {remarks[i % 5]}".rstrip()
        for i, (at, temp) in enumerate(zip(HOURS, TEMP, strict=True))
    ]
    proposal, rows = proposed(lines)
    assert (proposal.layout["delimiter"], proposal.layout["text_last"]) == ("space", True)
    assert {rule["quantity"] for rule in proposal.layout["columns"].values()} == {
        "air_temp",
        "rain",
    }
    assert rows == len(HOURS)


def test_depths_with_their_unit_and_a_constant_depth():
    two = ["time,site name,depth,crop,Soil moisture (m3/m3)"]
    one = two[:]
    for at, vwc in zip(HOURS, VWC, strict=True):
        one.append(f"{at:%Y-%m-%d %H:%M},north field,7.5 cm,spring wheat,{vwc}")
        two += [one[-1], one[-1].replace("7.5 cm", "30 cm")]
    for lines, depths in ((one, 1), (two, 2)):
        proposal, rows = proposed(lines)
        layout = proposal.layout
        assert (layout["shape"], layout["depth_column"]) == ("long", "depth")
        assert found(proposal, "depth_column")[0][1] is Sure.CERTAIN
        assert rows == depths * len(HOURS)


def test_a_constant_depth_says_nothing_where_the_headings_have_their_own():
    lines = ["time,depth,VWC 10 cm,VWC 30 cm"]
    lines += [f"{at:%Y-%m-%d %H:%M},1,{vwc},{vwc}" for at, vwc in zip(HOURS, VWC, strict=True)]
    proposal, _ = proposed(lines)
    assert [r["depth_cm"] for r in proposal.layout["columns"].values()] == [10.0, 30.0]


def test_long_files_of_which_most_columns_are_text():
    lines = ["network,station,variable,sensor,when,unit,value,quality"]
    for at, vwc, temp in zip(HOURS, VWC, TEMP, strict=True):
        for variable, unit, value in (("Soil moisture", "m3/m3", vwc), ("Air temp", "degC", temp)):
            lines.append(
                f"open net,north,{variable},model x,{at:%Y-%m-%d %H:%M},{unit},{value},good"
            )
    proposal, rows = proposed(lines)
    layout = proposal.layout
    assert (layout["series_column"], layout["value_column"]) == ("variable", "value")
    assert layout["time"]["columns"] == ["when"]
    assert rows == 2 * len(HOURS)


def test_a_long_file_with_the_depth_of_each_row_in_a_column():
    lines = ["date,plot,variable,value,unit,sensor depth"]
    for at, vwc, temp in zip(HOURS, VWC, TEMP, strict=True):
        for variable, unit, value in (("Soil moisture", "m3/m3", vwc), ("Soil temp", "degC", temp)):
            lines.append(f"{at:%Y-%m-%d %H:%M},E1,{variable},{value},{unit},7.5 cm")
    proposal, rows = proposed(lines)
    assert proposal.layout["depth_column"] == "sensor depth"
    assert all("depth_cm" not in rule for rule in proposal.layout["columns"].values())
    assert rows == 2 * len(HOURS)


@pytest.mark.parametrize(
    ("names", "sure"), [(["block", "rep"], Sure.LIKELY), (["plot", "logger"], Sure.UNSURE)]
)
def test_a_probe_told_by_two_columns(names, sure):
    lines = [f"time,{','.join(names)},Soil moisture 10 cm"]
    for at, vwc in zip(HOURS[:200], VWC, strict=False):
        lines += [f"{at:%Y-%m-%d %H:%M},{plot},{of},{vwc}" for plot in (1, 2) for of in ("A", "B")]
    proposal, rows = proposed(lines)
    assert proposal.layout["instrument_column"] == names
    assert found(proposal, "instrument_column") == [(str(names), sure)]
    assert rows == 800


@pytest.mark.parametrize(("depth", "sure"), [("7.5 cm", Sure.LIKELY), ("7.5", Sure.UNSURE)])
def test_a_depth_and_a_place_above_the_headings(depth, sure):
    lines = ["Station: North", "Latitude: 49.61, Longitude: -97.18, Elevation: 238 m"]
    lines += [f"Sensor depth: {depth}", "time,Soil moisture"]
    lines += [f"{at:%Y-%m-%d %H:%M},{vwc}" for at, vwc in zip(HOURS, VWC, strict=True)]
    proposal, rows = proposed(lines)
    assert proposal.layout["facts"] == {"depth": {"after": "Sensor depth"}}
    assert found(proposal, "facts.depth") == [("after 'Sensor depth'", sure)]
    assert found(proposal, "place") == [
        ("latitude 49.61, longitude -97.18, elevation 238 m", Sure.LIKELY)
    ]
    assert rows == len(HOURS)
    assert proposal.place == (49.61, -97.18)
    far = Place(latitude=35, longitude=-97.2, elevation_m=240, time_zone="America/Chicago")
    proposal, _ = proposed(lines, far)
    assert found(proposal, "place")[0][1] is Sure.UNSURE


@pytest.mark.parametrize(
    ("line", "place"),
    [
        ("Lat 49.61 N, Long 97.18 W", (49.61, -97.18)),
        ("latitude=-33,85 longitude=151,2 East", (-33.85, 151.2)),
        ("Latitude: 49°36'40\" N, Longitude: 97°10'48\" W", None),  # not read, so not half read
        ("Latitude: 4961, Longitude: 9718", None),
    ],
)
def test_a_place_is_read_with_its_hemisphere_or_not_at_all(line, place):
    lines = [line, "time,Soil moisture 20 cm"]
    lines += [f"{at:%Y-%m-%d %H:%M},{vwc}" for at, vwc in zip(HOURS, VWC, strict=True)]
    assert proposed(lines)[0].place == place


def flags_of(proposal, name):
    rule = proposal.layout["columns"][name]
    return rule.get("flag"), rule.get("flags")


def test_letters_behind_numbers_are_flags_and_a_t_of_rain_is_a_trace():
    lines = ["Date,Max Temp (C),Precip (mm)"]
    for i in range(300):
        day = datetime(2020, 1, 1) + timedelta(days=i)
        rain = {0: "T", 7: f"{i / 10:.1f}A", 9: "3.4E"}.get(i % 20, f"{0.4 * (i % 4):.1f}")
        temp = f"{12 + 10 * np.sin(i / 58):.1f}" + ("E" if i % 50 == 3 else "")
        lines.append(f"{day:%Y-%m-%d},{temp},{'M' if i % 31 == 4 else rain}")
    proposal, _ = proposed(lines)
    assert flags_of(proposal, "Precip (mm)") == (
        None,
        {"A": "accumulated", "E": "suspect", "T": "trace"},
    )
    assert flags_of(proposal, "Max Temp (C)") == (None, {"E": "suspect"})
    assert found(proposal, "columns.Precip (mm).flags")[0][1] is Sure.LIKELY
    assert proposal.layout["missing"] == ["M"]


def test_a_column_of_flags_is_of_the_column_of_its_name_or_before_it():
    lines = ["time,Soil moisture 10 cm,Air temp (C),Soil moisture 10 cm flag,QC"]
    for i, (at, vwc, temp) in enumerate(zip(HOURS, VWC, TEMP, strict=True)):
        flag = {3: "D03", 5: "D01,D03", 7: "C02"}.get(i % 20, "G")
        lines.append(f'{at:%Y-%m-%d %H:%M},{vwc},{temp},"{flag}",{7 if i % 30 == 4 else 1}')
    proposal, _ = proposed(lines)
    name = "Soil moisture 10 cm"
    assert flags_of(proposal, name) == (
        f"{name} flag",
        {"C02": "suspect", "D01": "frozen", "D03": "frozen", "G": "good"},
    )
    assert found(proposal, f"columns.{name}.flags")[0][1] is Sure.LIKELY
    assert proposal.layout["flag_column"] == "QC"
    assert proposal.layout["flags"] == {"1": "good", "7": "suspect"}
    assert found(proposal, "flags") == [("1, 7", Sure.UNSURE)]
    assert proposal.left_out == []


def test_one_flag_of_the_row_is_of_all_its_values():
    lines = ["time,Air temp (C),RH (%),Quality"]
    for i, (at, temp) in enumerate(zip(HOURS, TEMP, strict=True)):
        lines.append(f"{at:%Y-%m-%d %H:%M},{temp},{60 + i % 30},{'bad' if i % 40 == 0 else 'ok'}")
    proposal, _ = proposed(lines)
    assert proposal.layout["flag_column"] == "Quality"
    assert proposal.layout["flags"] == {"bad": "suspect", "ok": "good"}


def test_numbers_with_their_unit_are_no_flags():
    lines = ["time,Air temp,Rain (mm)"]
    for i, (at, temp) in enumerate(zip(HOURS, TEMP, strict=True)):
        lines.append(f"{at:%Y-%m-%d %H:%M},{temp},{'Tipped' if i == 7 else i % 5 / 5}")
    proposal, _ = proposed([line for line in lines if "Tipped" not in line])
    assert "flags" not in proposal.layout["columns"]["Rain (mm)"]
    assert "flags" not in proposal.layout["columns"]["Air temp"]


@pytest.mark.parametrize(
    ("values", "quantity"), [(VWC, "vwc"), (TEMP, "soil_temp")], ids=["water", "temperature"]
)
def test_a_line_of_station_facts_above_rows_without_headings(values, quantity):
    lines = [
        "NET        NET             Site-1            49.60540   -97.18780  322.00    0.05    0.10 Probe X 2"
    ]
    lines += [
        f"{at:%Y/%m/%d %H:%M}   {value} {'D05' if i % 40 == 7 else 'G'} M"
        for i, (at, value) in enumerate(zip(HOURS, values, strict=True))
    ]
    proposal, rows = proposed(lines)
    layout = proposal.layout
    assert layout["facts"]["depth"] == {"line": 1, "word": 8}
    assert (layout["step"], layout["columns"]["3"]["quantity"]) == ("1 h", quantity)
    assert (
        found(proposal, "place")[0][0]
        == "latitude 49.60540, longitude -97.18780, elevation 322.00 m"
    )
    assert [f.item for f in proposal.questions] == ["columns.3"]
    assert rows == len(HOURS)


def test_the_days_that_rain_is_the_total_of():
    days = [datetime(2019, 1, 1) + timedelta(days=i) for i in range(400)]
    lines = [
        "Station number,Year,Month,Day,Rainfall amount (millimetres),Period of measurement (days),Quality"
    ]
    for i, day in enumerate(days):
        rain = (
            ("", "", "")
            if i % 7 in (0, 1)
            else (f"{i % 5 * 1.2:.1f}", "3" if i % 7 == 2 else "1", "Y")
        )
        lines.append(f"1234,{day:%Y,%m,%d},{','.join(rain)}")
    proposal, _ = proposed(lines)
    assert proposal.layout["rain_days_column"] == "Period of measurement (days)"
    time = proposal.layout["time"]
    assert (time["columns"], time["format"]) == (["Year", "Month", "Day"], "%Y %m %d")
    (rule,) = proposal.layout["columns"].values()
    assert (rule["quantity"], rule["flag"], rule["flags"]) == ("rain", "Quality", {"Y": "good"})
    assert proposal.left_out == ["Station number"]


@pytest.mark.parametrize(
    ("names", "write", "form"),
    [
        ("Year,Month,Day,Hour", "{0.year},{0.month},{0.day},{0.hour}", "%Y %m %d %H"),
        ("YEAR,MO,DY,HHMM", "{0:%Y,%m,%d},{0.hour}00", None),
        ("Day,Month,Year,Hour,Minute", "{0.day},{0.month},{0.year},{0.hour},0", "%Y %m %d %H %M"),
        ("Date,Hour,Minute", "{0:%Y-%m-%d},{0.hour},{0.minute}", "%Y-%m-%d %H %M"),
        ("Year,x,DOY,HRMIN", "{0:%Y},1,{0:%j},{0.hour}00", "%Y %j %H%M"),
        ("DOY,Year", "{0:%j},{0:%Y}", "%Y %j"),
    ],
)
def test_dates_in_columns_of_their_own(names, write, form):
    by_day = "hour" not in write
    times = [HOURS[0] + timedelta(days=i) for i in range(90)] if by_day else HOURS
    lines = [f"{names},Air Temp (C)"]
    lines += [f"{write.format(at)},{temp}" for at, temp in zip(times, TEMP, strict=False)]
    proposal, rows = proposed(lines)
    assert (proposal.layout["step"], rows) == ("1 day" if by_day else "1 h", len(times))
    if form:
        assert proposal.layout["time"]["format"] == form
    (found_format,) = (f for f in proposal.found if f.item == "time.format")
    assert found_format.evidence.startswith(f"{times[0]} to {times[-1]}")


def test_flags_of_a_column_that_is_left_out_are_of_no_other():
    lines = ["Date,Max Temp (C),Max Temp Flag,Sunshine (foo),Sunshine Flag,Rain (mm),Rain Flag"]
    for i in range(200):
        day = datetime(2020, 1, 1) + timedelta(days=i)
        lines.append(
            f"{day:%Y-%m-%d},{10 + i % 9}.5,,{i % 3}.5,{'Q' if i % 5 == 0 else ''},"
            f"{i % 4}.2,{'T' if i % 9 == 0 else ''}"
        )
    proposal, _ = proposed(lines)
    assert "flag_column" not in proposal.layout
    assert flags_of(proposal, "Max Temp (C)") == ("Max Temp Flag", {"E": "suspect", "M": "missing"})
    assert flags_of(proposal, "Rain (mm)") == (
        "Rain Flag",
        {"A": "accumulated", "E": "suspect", "M": "missing", "T": "trace"},
    )
