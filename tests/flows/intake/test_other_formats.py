"""Formats as open networks publish them, through the whole landing."""

import pytest

from flows.derive import derive
from flows.store import warehouse
from tests.flows.loggers import FARM, ask, drop, make, take

START = FARM[: FARM.index("[layouts.hourly]")]
SOURCE = FARM[FARM.index("[[sources]]") :]
TWO_PROBES = START.replace(
    "[[probes]]\n",
    """[[probes]]
name = "shallow"
ids = ["plot 3 B"]
sensors = [{depth_cm = 7.5}]
spells = [{field = "North", strip = "check", from = 2020-01-01}]
[[probes]]
ids = ["plot 3 A"]
""",
)
SOIL = "SELECT probe, depth_cm, vwc_pct FROM soil_reading ORDER BY probe, depth_cm, time"


def farm(layout, toml=START, source=SOURCE):
    return f"{toml}[layouts.hourly]\n{layout}\n{source}"


def landed(tmp_path, toml, heading, *lines, query=SOIL):
    folder = make(tmp_path / "farm", toml)
    drop(folder, "a.csv", list(lines), heading=heading)
    take(folder)
    assert ask(folder, "SELECT cause, found FROM quarantine") == []
    return ask(folder, query)


def test_year_day_of_year_and_decimal_hour(tmp_path):
    toml = farm(
        """step = "30 min"
        delimiter = "space"
        time = {columns = ["YEAR", "DOY", "HRMIN"], format = "%Y %j hours", offset = "-06:00"}
        columns.TA = {quantity = "air_temp"}"""
    )
    found = landed(
        tmp_path,
        toml,
        "YEAR  DOY HRMIN TA",
        "2020  153  0.5  11.5",
        "2020  153  24   12.5",
        query="SELECT time::VARCHAR, air_temp_c FROM weather_reading ORDER BY time",
    )
    assert [(time[:19], temp) for time, temp in found] == [
        ("2020-06-01 06:30:00", 11.5),
        ("2020-06-02 06:00:00", 12.5),
    ]


def test_a_probe_told_by_two_columns_at_depths_with_their_unit(tmp_path):
    toml = farm(
        """step = "1 h"
        shape = "long"
        time = {columns = ["t"], offset = "-06:00"}
        instrument_column = ["plot", "logger"]
        depth_column = "depth"
        columns.M = {quantity = "vwc", unit = "m^3/m^3"}""",
        TWO_PROBES,
        SOURCE.replace('station = "west"\nprobe = "deep"\n', ""),
    )
    found = landed(
        tmp_path,
        toml,
        "t,plot,logger,crop,depth,note,M",
        "2020-06-01 00:00,plot 3,A,wheat,10 cm,as seeded,0.31",
        "2020-06-01 00:00,plot 3,B,wheat,7.5 cm,as seeded,0.284",
        "2020-06-01 00:00,Plot 3,a,wheat,11.8 in,as seeded,0.33",
    )
    assert found == [("deep", 10.0, 31.0), ("deep", 30.0, 33.0), ("shallow", 7.5, 28.4)]


@pytest.mark.parametrize("together", [True, False])
def test_files_of_which_each_says_its_probe_and_depth_once(tmp_path, together):
    toml = farm(
        """step = "1 h"
        delimiter = "space"
        skip = 1
        header = 0
        text_last = true
        depth_unit = "m"
        time = {columns = ["1", "2"], format = "%Y/%m/%d %H:%M", offset = "Z"}
        facts.instrument = {line = 1, word = 2}
        facts.depth = {line = 1, word = 6}
        columns.3 = {quantity = "vwc", unit = "m^3/m^3", flag = "4", flags = {G = "good", "*" = "suspect"}}
        """,
        TWO_PROBES.replace("plot 3 ", "S"),
        SOURCE.replace('station = "west"\nprobe = "deep"\n', ""),
    )
    folder = make(tmp_path / "farm", toml)
    for site, depth, value in (("SA", 0.10, 0.31), ("SA", 0.30, 0.35), ("SB", 0.075, 0.29)):
        lines = [
            f"2020/06/01 00:00 {value} G M",
            f"2020/06/01 01:00 {value + 0.5} D02 of the makers",
        ]
        above = f"NET {site} 41.25 -111.5 2440.0 {depth} {depth} sensor"
        drop(folder, f"{site}{depth}.csv", lines, heading=above)
        if not together:
            take(folder)
    take(folder)
    assert ask(
        folder, SOIL.replace("FROM soil_reading", "FROM soil_reading WHERE vwc_pct > 0")
    ) == [
        ("deep", 10.0, 31.0),
        ("deep", 30.0, 35.0),
        ("shallow", 7.5, 29.0),
    ]
    assert ask(folder, "SELECT instrument, depth_cm, flag FROM flagged_reading ORDER BY ALL") == [
        ("deep", 10.0, "D02"),
        ("deep", 30.0, "D02"),
        ("shallow", 7.5, "D02"),
    ]


def ghcn(element, values, month):
    """A line of GHCN-Daily: 31 times value, measurement, quality and source flag."""
    cells = [f"{value:>5}{flags}" for value, flags in values]
    return f"USW00000001{month}{element}" + "".join(cells).ljust(31 * 8).replace(
        " " * 8, "-9999   "
    )


@pytest.mark.parametrize("days_said", [True, False])
def test_ghcn_daily_by_its_own_flags(tmp_path, days_said):
    toml = farm('format = "ghcn_daily"', START.replace('"W1"', '"USW00000001"'))
    toml = toml.replace('probe = "deep"\n', "").replace("*.csv", "*.dly")
    none = (-9999, "   ")
    rain = [(10, "  S"), (0, "T S"), none, none, none, (900, " GS"), *[(5, "  S")] * 24]
    total = [none, none, none, none, (300, "  S")]
    said = [none, none, none, none, (3, "  S")]
    lines = [ghcn("MDPR", total, "202006"), ghcn("PRCP", rain, "202006")]
    lines += [ghcn("DAPR", said, "202006")] if days_said else []
    folder = make(tmp_path / "farm", toml)
    (folder.drop / "a.dly").write_text("\n".join(lines) + "\n")
    take(folder)
    with warehouse.open_writer(folder) as con:
        derive.derive(con)
    days = "SELECT day::VARCHAR, rain_mm, recorded_d FROM rain_day ORDER BY day LIMIT 6"
    assert ask(folder, days) == [
        ("2020-06-01", 1.0, 1.0),
        ("2020-06-02", 0.0, 1.0),
        ("2020-06-03", None, 0.0),
        ("2020-06-04", None, 0.0),
        ("2020-06-05", 30.0, 3.0),
        ("2020-06-06", None, 0.0),
    ]
    assert ask(folder, "SELECT round(rain_mm, 6), days_whole FROM rain_month") == [(43.0, 29)]
    assert ask(folder, "SELECT value, flag, meaning FROM flagged_reading") == [
        (90.0, "QG", "suspect")
    ]
    assert ask(folder, "SELECT cause, found FROM quarantine") == []
