"""The usual faults of instrument exports, each with a file and what becomes of it.

It is read right, put right by a setting of the layout, rejected with the reason, or left as it is
because only the pair of strips shows it (``station_health`` reports those; here nothing of them may
be lost or altered).
"""

import codecs
import itertools
from datetime import datetime, timedelta

import pytest

from flows.run import steps
from tests.flows.loggers import FARM, HEADING, ask, make, row, take, usual

HEAD, TAIL = FARM[: FARM.index("[layouts")], FARM[FARM.index("[[sources]]") :]


def farm(tmp_path, layout, **changes):
    """A farm whose one layout is this; keys of the source can be changed."""
    tail = TAIL
    for old, new in changes.items():
        tail = tail.replace(old, new)
    return make(tmp_path / "farm", f"{HEAD}[layouts.hourly]\n{layout}\n{tail}")


def land(folder, data, name="a.csv"):
    path = folder.drop / name
    path.write_bytes(data if isinstance(data, bytes) else data.encode())
    return take(folder)


def stations(folder, columns="air_temp_c"):
    return ask(folder, f"SELECT time, {columns} FROM weather_reading ORDER BY time")


def local(folder, columns="air_temp_c"):
    """Rows with the time as UTC, without its zone."""
    return [(row[0].replace(tzinfo=None), *row[1:]) for row in stations(folder, columns)]


def causes(folder):
    return ask(folder, "SELECT line, column_name, cause FROM quarantine ORDER BY 1, 2")


HOURLY = """step = "1 h"
time = {columns = ["t"], offset = "-06:00"}
columns = {"T" = {quantity = "air_temp"}, "R" = {quantity = "rain"}}"""
PLAIN = "t,T,R\n2020-06-01 00:00,10,0\n2020-06-01 01:00,12,1\n"
SIX, SEVEN = datetime(2020, 6, 1, 6), datetime(2020, 6, 1, 7)
AS_PLAIN = [(SIX, 10.0, 0.0), (SEVEN, 12.0, 1.0)]


class Test01Encodings:
    @pytest.mark.parametrize("encoding", ["utf-16", "cp1252", "utf-8-sig"])
    def test_read_by_the_encoding_that_the_layout_names(self, tmp_path, encoding):
        rule = f'encoding = "{encoding}"\n' + HOURLY.replace('"T" =', '"Temp (°C)" =')
        folder = farm(tmp_path, rule)
        land(folder, PLAIN.replace("t,T,", "t,Temp (°C),").encode(encoding))
        assert local(folder, "air_temp_c, rain_mm") == AS_PLAIN

    def test_a_mark_and_a_mangled_degree_sign_do_no_harm(self, tmp_path):
        folder = farm(tmp_path, HOURLY.replace('"T" =', '"Temp (°C)" ='))
        text = PLAIN.replace("t,T,", "t,Temp (°C),")
        land(folder, codecs.BOM_UTF8 + text.replace("°", "\N{REPLACEMENT CHARACTER}").encode())
        land(folder, text.replace("06-01", "06-02").encode("cp1252"), "b.csv")
        assert len(local(folder)) == 4


class Test02Decimals:
    def test_decimal_comma_and_thousands(self, tmp_path):
        rule = 'delimiter = ";"\ndecimal = ","\nthousands = "."\n'
        rule += HOURLY.replace("air_temp", "solar_radiation")
        folder = farm(tmp_path, rule)
        land(folder, "t;T;R\n2020-06-01 00:00;1.050,5;0,2\n")
        assert stations(folder, "solar_radiation_w_m2, rain_mm")[0][1:] == (1050.5, 0.2)

    @pytest.mark.parametrize(
        ("cell", "value"),
        [
            ("1.050,5", 1050.5),
            ("-1.050", None),  # a number, below what there can be
            ("950,25", 950.25),
            ("12.5", None),  # not 125
            ("1.5.2", None),
            ("1.0505,2", None),
            ("1,050.5", None),
            ("1.05", None),
        ],
    )
    def test_a_mark_of_thousands_stands_between_groups_of_three_or_the_cell_is_refused(
        self, tmp_path, cell, value
    ):
        rule = 'delimiter = ";"\ndecimal = ","\nthousands = "."\n'
        folder = farm(tmp_path, rule + HOURLY.replace("air_temp", "solar_radiation"))
        land(folder, f"t;T;R\n2020-06-01 00:00;{cell};0,2\n")
        assert stations(folder, "solar_radiation_w_m2, rain_mm")[0][1:] == (value, 0.2)
        cause = "outside the limits" if cell == "-1.050" else "not a number"
        assert causes(folder) == ([] if value else [(2, "T", cause)])

    def test_a_bad_cell_in_one_file_does_no_harm_to_another(self, tmp_path):
        folder = farm(tmp_path, 'delimiter = ";"\ndecimal = ","\n' + HOURLY)
        (folder.drop / "b.csv").write_text("t;T;R\n2020-06-02 00:00;oops;1,5\n")
        land(folder, "t;T;R\n2020-06-01 00:00;10,25;0\n")
        assert [row[1:] for row in stations(folder, "air_temp_c, rain_mm")] == [
            (10.25, 0.0),
            (None, 1.5),
        ]
        assert [cause for _, _, cause in causes(folder)] == ["not a number"]

    def test_a_comma_where_the_layout_says_point_is_refused_not_misread(self, tmp_path):
        folder = farm(tmp_path, 'delimiter = ";"\n' + HOURLY)
        land(folder, "t;T;R\n2020-06-01 00:00;10,5;0\n2020-06-01 01:00;11;0\n")
        assert causes(folder) == [(2, "T", "not a number")]
        assert stations(folder)[0][1] is None


def test_03_a_preamble_a_units_row_and_an_aggregation_row(tmp_path):
    folder = farm(tmp_path, 'header_starts = "t,"\nafter_header = 2\n' + HOURLY)
    head = "logger 7\nprogram x\n"
    land(folder, head + PLAIN.replace("t,T,R\n", "t,T,R\nTS,degC,mm\n,Avg,Tot\n"))
    assert local(folder, "air_temp_c, rain_mm") == AS_PLAIN
    assert causes(folder) == []


def test_04_columns_change_order_and_name(tmp_path):
    rule = HOURLY.replace('"T" = {', '"T" = {names = ["Temp", "AirT"], ')
    folder = farm(tmp_path, rule)
    land(folder, PLAIN + "R,t,more,Temp\n2,2020-06-01 02:00,x,13\nt,T,R\n2020-06-01 03:00,9,4\n")
    land(folder, "AirT,t,R\n14,2021-06-01 02:00,3\n", "next year.csv")
    got = [row[1:] for row in local(folder, "air_temp_c, rain_mm")]
    assert got == [(10.0, 0.0), (12.0, 1.0), (13.0, 2.0), (9.0, 4.0), (14.0, 3.0)]


def test_05_missing_codes_of_a_file_and_of_a_column_and_an_undeclared_one(tmp_path):
    rule = 'missing = [-9999, "NAN", "--", 7999]\n'
    rule += HOURLY.replace('"R" = {', '"R" = {missing = [-99], ')
    folder = farm(tmp_path, rule)
    values = ["-9999,0", "NAN,0", "--,0", "7999,0", "10,-99", "-400,0", "10,-6999"]
    lines = [f"2020-06-01 {h:02d}:00,{v}" for h, v in enumerate(values)]
    land(folder, "\n".join(["t,T,R", *lines, ""]))
    assert [r[1] for r in stations(folder)] == [None] * 4 + [10.0, None, 10.0]
    # what is not declared cannot be true and is refused by name, each time
    assert causes(folder) == [(7, "T", "outside the limits"), (8, "R", "outside the limits")]


class Test06And07And08Zones:
    def test_a_z_that_is_not_true_is_ignored_if_the_layout_says_so(self, tmp_path):
        folder = farm(tmp_path, HOURLY.replace('"-06:00"', '"-06:00", trust_zone = false'))
        land(folder, PLAIN.replace("2020-06-01 00:00", "2020-06-01T00:00:00Z"))
        assert local(folder)[0][0] == SIX

    def test_a_z_that_is_true(self, tmp_path):
        folder = farm(tmp_path, HOURLY.replace('offset = "-06:00"', "trust_zone = true"))
        land(folder, "t,T,R\n2020-06-01T06:00:00Z,10,0\n2020-06-01T01:00:00-06:00,12,1\n")
        assert local(folder, "air_temp_c, rain_mm") == AS_PLAIN

    def test_daylight_saving_skips_an_hour_and_doubles_one(self, tmp_path):
        folder = farm(tmp_path, HOURLY.replace('offset = "-06:00"', 'zone = "America/Winnipeg"'))
        spring = [f"2020-03-08 {h:02d}:00,{h},0" for h in (0, 1, 3, 4)]
        autumn = [f"2020-11-01 {h:02d}:00,{i},0" for i, h in enumerate((0, 1, 1, 2))]
        land(folder, "\n".join(["t,T,R", *spring, *autumn, ""]))
        times = [row[0] for row in local(folder)]
        hour = timedelta(hours=1)
        assert [b - a for a, b in itertools.pairwise(times[:4])] == [hour] * 3
        assert [b - a for a, b in itertools.pairwise(times[4:])] == [hour] * 3
        assert [row[1] for row in local(folder)][4:] == [0, 1, 2, 3]

    def test_an_hour_that_never_was_is_refused(self, tmp_path):
        folder = farm(tmp_path, HOURLY.replace('offset = "-06:00"', 'zone = "America/Winnipeg"'))
        land(folder, PLAIN + "2020-03-08 02:30,1,0\n")
        assert causes(folder) == [(4, "", "time not read")]

    def test_two_files_of_a_site_in_two_zones_are_two_sources(self, tmp_path):
        folder = make(
            tmp_path / "farm",
            f"{HEAD}[layouts.hourly]\n{HOURLY}\n[layouts.utc]\n{HOURLY.replace('-06:00', 'Z')}\n"
            + TAIL.replace('"*.csv"', '"local*"')
            + TAIL.replace('"*.csv"', '"utc*"').replace(
                'name = "hourly"\nlayout = "hourly"', 'name = "u"\nlayout = "utc"'
            ),
        )
        land(folder, PLAIN, "local.csv")
        land(folder, "t,T,R\n2020-06-01 06:00,10,0\n2020-06-01 07:00,12,1\n", "utc.csv")
        assert local(folder, "air_temp_c, rain_mm") == AS_PLAIN
        assert ask(folder, "SELECT count(*) FROM superseded_reading") == [(0,)]


class Test09Stamps:
    def test_the_start_of_the_interval(self, tmp_path):
        folder = farm(tmp_path, 'stamp = "start"\n' + HOURLY)
        land(folder, PLAIN)
        assert local(folder)[0][0] == SEVEN

    def test_twenty_four_hundred_is_the_next_day(self, tmp_path):
        folder = farm(tmp_path, HOURLY)
        land(folder, "t,T,R\n2020-05-31 24:00,10,0\n")
        assert local(folder)[0][0] == SIX

    @pytest.mark.parametrize(
        ("form", "stamp"), [("%d/%m/%Y", "01/06/2020"), ("%m/%d/%Y", "06/01/2020")]
    )
    def test_day_and_month_are_what_the_layout_says(self, tmp_path, form, stamp):
        rule = HOURLY.replace('columns = ["t"]', f'columns = ["t"], format = "{form} %H:%M"')
        folder = farm(tmp_path, rule)
        land(folder, PLAIN.replace("2020-06-01", stamp) + "31/31/2020 00:00,1,1\n")
        assert local(folder)[0][0] == SIX
        assert causes(folder) == [(4, "", "time not read")]


@pytest.mark.parametrize("year", [1970, 1990, 2000, 2035])
def test_10_a_clock_that_was_reset_is_refused(tmp_path, year):
    folder = farm(tmp_path, HOURLY)
    land(folder, PLAIN + f"{year}-01-01 00:00,5,0\n")
    assert len(stations(folder)) == 2
    ((line, _, cause),) = causes(folder)
    assert line == 4
    assert cause == ("time after its receipt" if year == 2035 else "outside every spell")


class Test11Overlaps:
    def test_the_same_twice_is_one_reading(self, tmp_path):
        folder = farm(tmp_path, HOURLY)
        done = land(folder, PLAIN + PLAIN.partition("\n")[2])
        assert (len(stations(folder)), done.duplicate) == (2, 2)

    def test_two_values_for_one_time_are_both_kept(self, tmp_path):
        folder = farm(tmp_path, HOURLY)
        land(folder, PLAIN + "2020-06-01 01:00,13,1\n")
        assert stations(folder)[1][1] == 13.0
        kept = ask(folder, "SELECT value, later_value FROM superseded_reading")
        assert kept == [(12.0, 13.0)]


class Test12HalfWritten:
    def test_a_last_line_that_breaks_off_is_refused_until_it_is_whole(self, tmp_path):
        folder = farm(tmp_path, HOURLY)
        land(folder, PLAIN + "2020-06-01 02:")
        assert causes(folder) == [(4, "", "half-written line")]
        land(folder, PLAIN + "2020-06-01 02:00,14,0\n")
        assert len(stations(folder)) == 3

    def test_a_value_cut_in_its_digits_is_mended_by_the_whole_line(self, tmp_path):
        folder = farm(tmp_path, HOURLY)
        land(folder, PLAIN + "2020-06-01 02:00,14,1")
        land(folder, PLAIN + "2020-06-01 02:00,14,12.5\n")
        assert stations(folder, "rain_mm")[2][1] == 12.5

    def test_zero_bytes_are_no_rows(self, tmp_path):
        folder = farm(tmp_path, HOURLY)
        land(folder, PLAIN.encode() + b"\x00" * 300 + b"\n2020-06-01 02:00,14,0\n")
        assert len(stations(folder)) == 3

    def test_a_file_that_still_grows_is_left_alone(self, tmp_path):
        folder = farm(tmp_path, HOURLY, **{"settle_s = 0": "settle_s = 3600"})
        done = land(folder, PLAIN)
        assert done.deliveries == 0
        assert done.notes[0].startswith("1 file is settling, 3")


def test_13_absent_rows_are_gaps_not_zeros(tmp_path):
    rule = HOURLY.replace("1 h", "1 day").replace('"t"]', '"t"], format = "%Y-%m-%d"')
    folder = farm(tmp_path, 'stamp = "start"\n' + rule)
    days = [datetime(2020, 6, 1) + timedelta(days=d) for d in range(61)]
    kept = [
        d for d in days if (d + timedelta(days=1)).day != 1
    ]  # the last of every month is absent
    land(folder, "\n".join(["t,T,R", *(f"{d:%Y-%m-%d},15,1" for d in kept), ""]))
    steps.derive(folder)
    by_month = ask(
        folder, "SELECT month(day), count(*), sum(rain_mm) FROM weather_day GROUP BY 1 ORDER BY 1"
    )
    assert by_month == [(6, 29, 29.0), (7, 30, 30.0)]
    partial = ask(
        folder, "SELECT month, partial, rain_mm FROM rain_month WHERE year = 2020 ORDER BY 1"
    )
    assert [(m, p) for m, p, _ in partial if m in (6, 7)] == [(6, True), (7, True)]


def test_14_a_running_total_that_resets_and_one_that_rolls_over(tmp_path):
    total = HOURLY.replace('"R" = {', '"R" = {counts = "total", rolls_at = 100, ')
    folder = farm(tmp_path, total)
    values = [97.0, 99.0, 1.0, 1.0, 4.0, 0.5]  # +2, over the top +2, 0, +3, and a reset: +0.5
    lines = [f"2020-06-01 {h + 2:02d}:00,10,{v}" for h, v in enumerate(values)]
    land(folder, "\n".join(["t,T,R", *lines, ""]))
    steps.derive(folder)
    ((rain,),) = ask(folder, "SELECT rain_mm FROM weather_day")
    # 4 to 0.5 may be a reset (+0.5) or 96.5 mm in an hour; whichever it is, it is no fall
    assert rain is None or rain >= 7.0


class Test15To18And20LeftToThePair:
    """Values that may be true: they land as they stand, and nothing is lost or invented."""

    SERIES = (
        ("15 a gauge that is clogged reads half", "R", [0.5, 1.0, 0.5, 2.0]),
        ("16 a stuck value", "T", [12.0] * 4),
        ("16 a dead sensor that reads zero", "T", [0.0] * 4),
        ("17 frost", "T", [-12.0, -11.0, -15.0, -3.0]),
        ("18 a step", "T", [10.0, 10.0, 20.0, 20.0]),
        ("20 swings of temperature", "T", [10.0, 30.0, 10.0, 30.0]),
    )

    @pytest.mark.parametrize(("told", "column", "values"), SERIES)
    def test_as_they_stand(self, tmp_path, told, column, values):
        folder = farm(tmp_path, HOURLY)
        cells = {"T": [5] * 4, "R": [0] * 4} | {column: values}
        lines = [f"2020-06-01 {h:02d}:00,{cells['T'][h]},{cells['R'][h]}" for h in range(4)]
        land(folder, "\n".join(["t,T,R", *lines, ""]))
        name = {"T": "air_temp_c", "R": "rain_mm"}[column]
        assert [row[1] for row in stations(folder, name)] == values, told
        assert causes(folder) == []

    def test_18_depths_exchanged_are_put_right_in_the_farm_file(self, tmp_path):
        folder = make(tmp_path / "farm")
        (folder.drop / "a.csv").write_text(f"{HEADING}\n" + row(5, 50, 0, 0.2, 0.4) + "\n")
        take(folder)
        swapped = (
            FARM.replace('"S1" =', '"S0" =').replace('"S2" =', '"S1" =').replace('"S0" =', '"S2" =')
        )
        folder.farm_toml.write_text(swapped)
        take(folder)
        got = ask(folder, "SELECT depth_cm, vwc_pct FROM soil_reading ORDER BY 1")
        assert got == [(10.0, 40.0), (30.0, 20.0)]


class Test19Units:
    @pytest.mark.parametrize(
        "given",
        [
            ("air_temp", "degF", 50, "air_temp_c", 10.0),
            ("air_temp", "0.1 degC", 105, "air_temp_c", 10.5),
            ("rain", "0.1 mm", 25, "rain_mm", 2.5),
            ("rain", "inch", 1, "rain_mm", 25.4),
            ("relative_humidity", "1", 0.55, "relative_humidity_pct", 55.0),
            ("wind_speed", "km/h", 36, "wind_speed_m_s", 10.0),
            ("air_pressure", "hPa", 1013.25, "air_pressure_kpa", 101.325),
        ],
    )
    def test_put_right_by_the_unit_of_the_layout(self, tmp_path, given):
        quantity, unit, written, column, stored = given
        other = "rain" if quantity != "rain" else "air_temp"
        rule = 'step = "1 h"\ntime = {columns = ["t"], offset = "Z"}\n[layouts.hourly.columns]\n'
        rule += (
            f'"T" = {{quantity = "{quantity}", unit = "{unit}"}}\n"R" = {{quantity = "{other}"}}'
        )
        folder = farm(tmp_path, rule)
        land(folder, f"t,T,R\n2020-06-01 06:00,{written},0\n")
        assert stations(folder, column)[0][1] == pytest.approx(stored, abs=1e-6)

    def test_a_wrong_unit_beyond_what_physics_allows_is_refused(self, tmp_path):
        folder = farm(tmp_path, HOURLY)  # the layout says degC, the file has degF
        land(folder, "t,T,R\n2020-07-01 12:00,95,0\n2020-07-01 13:00,50,0\n")
        assert causes(folder) == [(2, "T", "outside the limits")]

    def test_a_layouts_own_limits_catch_what_physics_allows(self, tmp_path):
        folder = farm(tmp_path, HOURLY.replace('"T" = {', '"T" = {low = -45, high = 45, '))
        land(folder, "t,T,R\n2020-07-01 12:00,50,0\n2020-07-01 13:00,25,0\n")
        assert causes(folder) == [(2, "T", "outside the limits")]


def test_20_settling_is_kept_out_by_the_spell(tmp_path):
    later = FARM.replace("from = 2020-01-01, to = 2020-06-20", "from = 2020-06-02, to = 2020-06-20")
    folder = make(tmp_path / "farm", later)
    lines = [usual(5), usual(30)]
    (folder.drop / "a.csv").write_text("\n".join([HEADING, *lines, ""]))
    take(folder)
    assert ask(folder, "SELECT count(*) FROM soil_reading") == [(2,)]
    assert ask(folder, "SELECT count(*) FROM weather_reading") == [(2,)]
    assert {cause for _, _, cause in causes(folder)} == {"outside every spell"}
