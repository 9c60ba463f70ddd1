import gzip
import tomllib
from datetime import UTC, date, datetime, timedelta

import numpy as np
import polars as pl
import pytest
from typer.testing import CliRunner

from flows.base.errors import UserError
from flows.cli import app
from flows.farm import farm_file
from flows.setup.sniff import headings, sniff_file
from flows.setup.sniff.finding import CannotSniff, Sure
from flows.setup.sniff.propose import propose
from schemas.farm.farm import Place
from schemas.farm.layout import Layout
from tests.bench.sniffed import weather
from tests.flows.loggers import FARM, make

PLACE = Place(latitude=49.6, longitude=-97.2, elevation_m=240, time_zone="America/Winnipeg")


def found(proposal, item):
    return [f for f in proposal.found if f.item == item]


def daily(rows, heading="Date,Air Temp,Rain"):
    days = [date(2020, 5, 1) + timedelta(days=i) for i in range(len(rows))]
    lines = [f"{day},{','.join(map(str, row))}" for day, row in zip(days, rows, strict=True)]
    return "\n".join([heading, *lines, ""]).encode()


@pytest.mark.parametrize(
    ("name", "quantity", "unit", "depth"),
    [
        ("Air Temp (°F)", "air_temp", "degF", None),
        ("T_DAILY_MAX", "air_temp_max", None, None),
        ("TMIN", "air_temp_min", None, None),
        ("SMS:1:-20", "vwc", None, 20.0),
        ("Soil Temp 30 cm (°C)", "soil_temp", "degC", 30.0),
        ("SOIL_MOISTURE_5_DAILY", "vwc", None, 5.0),
        ("VWC 12 in (%)", "vwc", "percent", 12.0),
        ("Rain_mm", "rain", "mm", None),
        ("Precip [in]", "rain", "inch", None),
        ("SlrRad (W/m²)", "solar_radiation", "W/m^2", None),
        ("Wind Gust (km/h)", "wind_gust", "km/h", None),
        ("RH %", "relative_humidity", "percent", None),
        ("Batt_V", "battery", "V", None),
        ("RECORD", None, None, None),
        ("SUR_TEMP_DAILY_MAX", None, None, None),
    ],
)
def test_headings(name, quantity, unit, depth):
    says = headings.heading(name)
    assert (says.quantity, says.unit, says.depth) == (quantity, unit, depth)


def test_fahrenheit_is_told_from_celsius_by_the_season():
    warm = daily([(50 + i % 20, 0.1 * (i % 3 == 0)) for i in range(60)])
    (unit,) = found(propose(warm, PLACE), "columns.Air Temp.unit")
    assert (unit.value, unit.sure) == ("degF", Sure.LIKELY)
    cool = daily([(5 + i % 20, 2.0 * (i % 3 == 0)) for i in range(60)])
    (unit,) = found(propose(cool, PLACE), "columns.Air Temp.unit")
    assert (unit.value, unit.sure) == ("degC", Sure.LIKELY)


def test_a_heading_that_lies_about_its_unit_is_asked_about():
    lying = daily([(50 + i % 20, 1.0) for i in range(60)], "Date,Air Temp (°C),Rain (mm)")
    (unit,) = found(propose(lying, PLACE), "columns.Air Temp (°C).unit")
    assert unit.sure is Sure.UNSURE
    assert "the heading says degC" in unit.evidence
    assert unit.value == "degF"


def test_tenths_under_a_heading_of_millimetres_are_asked_about():
    tenths = daily([(15, 120 * (i % 4 == 0)) for i in range(90)], "Date,Air Temp (°C),Rain (mm)")
    (unit,) = found(propose(tenths, PLACE), "columns.Rain (mm).unit")
    assert (unit.value, unit.sure) == ("0.1 mm", Sure.UNSURE)


def test_undeclared_missing_codes():
    rows = [(15 if i % 9 else -400, 1.5 * (i % 3 == 0)) for i in range(60)]
    proposal = propose(daily(rows), PLACE)
    assert proposal.layout["columns"]["Air Temp"]["missing"] == [-400.0]
    assert "Air Temp (7 times)" in found(proposal, "missing")[0].evidence


def test_day_and_month_are_told_apart_or_asked():
    heading = "Date,Air Temp (C)"
    rows = [f"{d:02d}/06/2020,15.5" for d in range(1, 29)]
    assert (
        propose("\n".join([heading, *rows, ""]).encode(), PLACE).layout["time"]["format"]
        == "%d/%m/%Y"
    )
    rows = ["06/06/2020,15.5", "07/07/2020,16.5", "08/08/2020,14.5"]
    proposal = propose("\n".join([heading, *rows, ""]).encode(), PLACE)
    assert found(proposal, "time.format")[0].sure is Sure.UNSURE


@pytest.mark.parametrize("true", [True, False])
def test_a_z_is_believed_only_if_the_sun_agrees(true):
    ends = [datetime(2020, 6, 1, tzinfo=UTC) + timedelta(minutes=15 * i) for i in range(96 * 12)]
    times = pl.Series(ends, dtype=pl.Datetime("us", "UTC"))
    values = weather(PLACE, times, 900, np.random.default_rng(1))
    shown = times if true else times - timedelta(hours=6)
    rows = [
        f"{t:%Y-%m-%dT%H:%M:%S}Z,{r:.0f}"
        for t, r in zip(shown, values["solar_radiation"], strict=True)
    ]
    proposal = propose("\n".join(["time,Solar (W/m2)", *rows, ""]).encode(), PLACE)
    time = proposal.layout["time"]
    if true:
        assert time == {"columns": ["time"], "trust_zone": True}
    else:  # standard time; in June the clock could also follow daylight saving, which the sun excludes
        assert time == {"columns": ["time"], "offset": "-06:00", "trust_zone": False}
        assert any("'Z' in the stamps is not true" in f.evidence for f in proposal.found)


def test_a_running_total_is_seen():
    rows = [(15, round(12 + 0.2 * (i // 5), 1)) for i in range(80)]
    assert propose(daily(rows), PLACE).layout["columns"]["Rain"]["counts"] == "total"


def test_long_exports():
    lines = ["time,sensor,value"]
    for hour in range(48):
        stamp = f"2020-06-{1 + hour // 24:02d} {hour % 24:02d}:00"
        lines += [f"{stamp},Air Temp (C),{15 + hour % 9}", f"{stamp},RH (%),{60 + hour % 7}"]
    layout = propose("\n".join([*lines, ""]).encode(), PLACE).layout
    assert (layout["series_column"], layout["value_column"]) == ("sensor", "value")
    assert set(layout["columns"]) == {"Air Temp (C)", "RH (%)"}
    assert layout["step"] == "1 h"
    Layout.model_validate(layout)


def test_open_formats_are_known_by_their_form():
    line = "53974 20200601  2.622  -96.61   39.10" + "  1.0" * 23
    assert propose(f"{line}\n".encode() * 30).layout == {"format": "uscrn_daily"}
    month = "USW00000001202002TMAX" + "  -56  S" * 31
    assert propose(f"{month}\n".encode() * 20).layout == {"format": "ghcn_daily"}


@pytest.mark.parametrize(
    "data", [b"", b"\n\n", b"hello world\n", b"\x1f\x8b123", b"{}", b"a,b\nx,y\n"]
)
def test_what_is_no_export_is_said(data):
    with pytest.raises(CannotSniff):
        propose(data, PLACE)


def test_a_packed_export_is_looked_into():
    rows = daily([(15, 1.0)] * 40)
    assert propose(gzip.compress(rows), PLACE).layout == propose(rows, PLACE).layout


class TestCommand:
    def file(self, tmp_path):
        path = tmp_path / "New export.csv"
        rows = [(50 + i % 20, 0.2 * (i % 3 == 0)) for i in range(60)]
        path.write_bytes(daily(rows, "Date,Air Temp (°F),Rain (in)"))
        return path

    def test_it_proposes_and_says_why(self, tmp_path):
        folder = make(tmp_path / "farm")
        said = CliRunner().invoke(
            app, ["sniff", str(self.file(tmp_path)), "--folder", str(folder.root)]
        )
        assert "[layouts.new_export]" in said.output
        assert "the heading says so" in said.output
        assert said.exit_code == 0

    def test_written_it_is_a_valid_farm_file(self, tmp_path):
        folder = make(tmp_path / "farm")
        told = sniff_file.sniff(self.file(tmp_path), folder.root, "office")
        assert "checkstrip try" in sniff_file.write(told, folder.root)
        farm = farm_file.load(folder.farm_toml)
        assert farm.layouts["office"].columns["Rain (in)"].unit == "inch"
        assert {s.name for s in farm.sources} == {"hourly", "office"}
        with pytest.raises(UserError, match="already"):
            sniff_file.write(told, folder.root)
        assert FARM in folder.farm_toml.read_text() + "\n"

    def test_a_file_that_cannot_be_made_out(self, tmp_path):
        path = tmp_path / "x.csv"
        path.write_text("hello")
        with pytest.raises(UserError, match="cannot be made out"):
            sniff_file.sniff(path, None)


def test_toml_survives_odd_headings():
    odd = 'a "b" °C\\'
    assert tomllib.loads(sniff_file.toml_key(odd) + " = 1") == {odd: 1}


def test_headings_that_change_from_year_to_year_become_other_names():
    rows = [f"{15 + i % 9},{60 + i % 7}" for i in range(40)]
    first = [f"2020-06-{1 + i // 24:02d} {i % 24:02d}:00,{row}" for i, row in enumerate(rows)]
    second = [f"2021-06-{1 + i // 24:02d} {i % 24:02d}:00,x,{row}" for i, row in enumerate(rows)]
    data = "\n".join(["time,Air Temp (C),RH (%)", *first, "time,note,AirT (C),RH_pct", *second, ""])
    proposal = propose(data.encode(), PLACE)
    columns = proposal.layout["columns"]
    assert columns["Air Temp (C)"]["names"] == ["AirT (C)"]
    assert columns["RH (%)"]["names"] == ["RH_pct"]
    assert "skip" not in proposal.layout


@pytest.mark.parametrize("mark", ["-06:00", "+09:30", "Z"])
def test_stamps_that_name_their_offset_are_read_by_their_own_clock(mark):
    stamps = [f"2025-05-12T{hour:02d}:00:00{mark}" for hour in range(24)]
    rows = "\n".join(f"{stamp},{10 + i % 7}.5" for i, stamp in enumerate(stamps))
    proposal = propose(f"time,Air temp (C)\n{rows}\n".encode())
    (found,) = [f for f in proposal.found if f.item == "time.format"]
    assert found.evidence.startswith("2025-05-12 00:00:00 to 2025-05-12 23:00:00")
    assert Layout.model_validate(proposal.layout).step_s == 3600
