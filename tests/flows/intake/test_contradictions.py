"""Files of several instruments that the layout does not tell apart: rejected whole, with the column's name."""

import json
from datetime import datetime, timedelta

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from flows.intake import by_layout
from flows.intake.contradictions import CAUSE, Contradicted, telling_columns
from flows.intake.door.two_rows import TWO_ROWS
from flows.run import steps
from flows.store import warehouse
from tests.flows.loggers import FARM, ask, drop, make, take

HEAD, TAIL = FARM[: FARM.index("[layouts")], FARM[FARM.index("[[sources]]") :]
HOURLY = """[layouts.hourly]
step = "1 h"
time = {columns = ["t"], offset = "-06:00"}
"""
SOIL = 'columns = {"S" = {quantity = "vwc", depth_cm = 10}, "K" = {quantity = "soil_temp", depth_cm = 10}}\n'
LONG = 'shape = "long"\ndepth_column = "z"\ncolumns = {"S" = {quantity = "vwc"}}\n'
DAILY = """[layouts.hourly]
step = "1 day"
time = {columns = ["t"], format = "%Y-%m-%d"}
stamp = "start"
columns = {"X" = {quantity = "air_temp_max"}, "N" = {quantity = "air_temp_min"}, "R" = {quantity = "rain"}}
"""


def farm(tmp_path, layout, tail=TAIL):
    return make(tmp_path / "farm", f"{HEAD}{layout}{tail}")


def stamp(hour):
    return (datetime(2020, 6, 1) + timedelta(hours=hour)).strftime("%Y-%m-%d %H:%M")


def of_plots(plots, hours, by_plot=True):
    """One line for each plot and hour."""
    pairs = [(p, h) for p in range(plots) for h in range(hours)]
    pairs = pairs if by_plot else sorted(pairs, key=lambda pair: pair[1])
    return [f"{stamp(h)},{20 + p + h / 100:.2f},{10 + p / 10:.1f},P{p:02d},x" for p, h in pairs]


def rejected(folder):
    return ask(folder, "SELECT cause, found, expected FROM quarantine")


class TestSeveralProbesInOneFile:
    @pytest.mark.parametrize("by_plot", [True, False])
    @pytest.mark.parametrize(("plots", "hours"), [(2, 24), (42, 24), (3, 4), (42, 1)])
    def test_lands_nothing_and_the_column_is_named(self, tmp_path, plots, hours, by_plot):
        folder = farm(tmp_path, HOURLY + SOIL)
        drop(folder, "a.csv", of_plots(plots, hours, by_plot), heading="t,S,K,Plot,Note")
        take(folder)
        ((cause, found, expected),) = rejected(folder)
        assert cause == CAUSE
        assert f"occurs up to {plots} times" in found
        assert "column 'Plot'" in expected
        assert f"{plots} entries: P00, P01" in expected
        assert "instrument_column" in expected
        assert ask(folder, "SELECT count(*) FROM soil_reading") == [(0,)]
        assert ask(folder, "SELECT count(*) FROM superseded_reading") == [(0,)]
        assert ask(folder, "SELECT state FROM delivery") == [("refused",)]

    def test_in_parts_of_a_large_file_as_in_a_small_one(self, tmp_path, monkeypatch):
        monkeypatch.setattr(by_layout, "PART_ROWS", 10)
        monkeypatch.setattr(by_layout, "PARSED_BYTES", 1)
        folder = farm(tmp_path, HOURLY + SOIL)
        monkeypatch.setattr("flows.intake.readers.delimited.PIECE", 600)
        drop(folder, "a.csv", of_plots(3, 40), heading="t,S,K,Plot,Note")
        take(folder)
        assert [row[0] for row in rejected(folder)] == [CAUSE]
        assert ask(folder, "SELECT count(*) FROM soil_reading") == [(0,)]

    def test_the_others_of_its_window_land(self, tmp_path):
        folder = farm(tmp_path, HOURLY + SOIL)
        drop(folder, "a.csv", of_plots(3, 5), heading="t,S,K,Plot,Note")
        drop(folder, "b.csv", of_plots(1, 7), heading="t,S,K,Plot,Note")
        take(folder)
        assert ask(folder, "SELECT name, state, rows_landed FROM delivery ORDER BY 1") == [
            ("a.csv", "refused", 0),
            ("b.csv", "landed", 7),
        ]

    def test_once_the_column_is_in_the_layout_each_probe_has_its_own(self, tmp_path):
        folder = farm(tmp_path, HOURLY + SOIL)
        drop(folder, "a.csv", of_plots(2, 30), heading="t,S,K,Plot,Note")
        take(folder)
        toml = folder.farm_toml.read_text()
        probe = toml[toml.index("[[probes]]") : toml.index("[layouts")]
        other = probe.replace('"deep"', '"other"\nids = ["P01"]').replace('"North"', '"South"')
        toml = toml.replace("[layouts", other + "[layouts", 1)
        toml = toml.replace('name = "deep"', 'name = "deep"\nids = ["P00"]')
        toml = toml.replace('step = "1 h"', 'step = "1 h"\ninstrument_column = "Plot"')
        folder.farm_toml.write_text(toml.replace('probe = "deep"\n', ""))
        take(folder)
        assert rejected(folder) == []
        assert ask(
            folder, "SELECT probe, count(*), min(vwc_pct) FROM soil_reading GROUP BY 1 ORDER BY 1"
        ) == [("deep", 30, 20), ("other", 30, 21)]
        assert ask(folder, "SELECT count(*) FROM superseded_reading") == [(0,)]

    def test_what_an_older_program_landed_of_it_goes_when_it_is_read_again(
        self, tmp_path, monkeypatch
    ):
        folder = farm(tmp_path, HOURLY + SOIL)
        with monkeypatch.context() as older:
            older.setattr(Contradicted, "is_too_much", property(lambda _: False))
            drop(folder, "a.csv", of_plots(3, 20), heading="t,S,K,Plot,Note")
            drop(folder, "b.csv", [f"{stamp(90)},33,9,P00,x"], heading="t,S,K,Plot,Note")
            take(folder)
            assert ask(folder, "SELECT count(*) FROM soil_reading") == [(21,)]
        with warehouse.open_writer(folder) as con:  # an older version did not count them
            con.execute("UPDATE delivery SET values_contradicted = NULL, values_gone = NULL")
        take(folder)
        assert ask(folder, "SELECT vwc_pct FROM soil_reading") == [(33,)]
        assert [row[0] for row in rejected(folder)] == [CAUSE]
        before = ask(folder, "SELECT * FROM delivery ORDER BY sequence")
        steps.rebuild(folder)
        assert ask(folder, "SELECT vwc_pct FROM soil_reading") == [(33,)]
        assert len(ask(folder, "SELECT * FROM delivery")) == len(before)

    def test_a_column_of_plots_and_one_of_tubes_together(self, tmp_path):
        folder = farm(tmp_path, HOURLY + LONG)
        lines = [
            f"{stamp(h)},{z},{20 + 4 * p + 2 * tube + h / 100},{p},{tube},7"
            for h in range(9)
            for p in range(3)
            for tube in range(2)
            for z in (10, 30)
        ]
        drop(folder, "a.csv", lines, heading="t,z,S,Plot,Tube,Unit")
        take(folder)
        ((_, found, expected),) = rejected(folder)
        assert "each time and depth occurs up to 6 times" in found
        assert "'Tube' and 'Plot'" in expected

    @pytest.mark.parametrize("form", ["ndjson", "json"])
    def test_in_records_a_key_is_named(self, tmp_path, form):
        folder = farm(tmp_path, HOURLY.replace("step", f'format = "{form}"\nstep', 1) + SOIL)
        rows = [
            {"t": stamp(h), "S": 20 + p, "K": 9 + p, "tube": f"T{p}"}
            for h in range(6)
            for p in range(4)
        ]
        text = json.dumps(rows) if form == "json" else "\n".join(map(json.dumps, rows)) + "\n"
        (folder.drop / "a.csv").write_text(text)
        take(folder)
        assert "'tube'" in str(rejected(folder)[0][2])

    def test_where_no_column_tells_them_apart_it_says_so(self, tmp_path):
        folder = farm(tmp_path, HOURLY + SOIL)
        lines = [f"{stamp(h)},{20 + p},{p},{h % 3},{h}" for h in range(20) for p in range(3)]
        drop(folder, "a.csv", lines, heading="t,S,K,A,B")
        take(folder)
        assert "no column of the file tells the lines apart" in str(rejected(folder)[0][2])


class TestFewContradictions:
    def test_the_later_line_stands_and_the_delivery_says_how_many(self, tmp_path):
        folder = farm(tmp_path, HOURLY + SOIL)
        lines = [f"{stamp(h)},{20 + h / 100},9" for h in range(100)]
        drop(folder, "a.csv", [*lines, f"{stamp(50)},30,9"], heading="t,S,K")
        take(folder)
        assert ask(folder, "SELECT count(*), max(vwc_pct) FROM soil_reading") == [(100, 30)]
        assert ask(folder, "SELECT reason FROM delivery") == [
            ("1 value contradicts another line of the file; the later line stands",)
        ]

    @pytest.mark.parametrize(
        ("values", "of", "times", "too_much"),
        [
            (10, 1000, 10, False),
            (11, 1000, 10, True),
            (11, 1000, 9, False),  # few times of a long file: a restart
            (1, 2, 1, False),  # a line that was written again
            (41, 42, 1, True),
            (2, 4, 2, True),
            (0, 0, 0, False),
        ],
    )
    def test_the_bounds(self, values, of, times, too_much):
        assert Contradicted(values, of, times).is_too_much is too_much


class TestTwoRowsForOneDay:
    def day(self, n, *values):
        return f"2020-06-{n:02d}," + ",".join(map(str, values))

    def test_one_stands_whole_and_the_other_is_rejected(self, tmp_path):
        folder = farm(tmp_path, DAILY)
        lines = [self.day(n, 20 + n, 5, 0) for n in range(1, 19)]
        lines.insert(5, self.day(5, 30, "", 7.5))  # line 7: fewer values, later
        lines.append(self.day(9, 31, 6, 2))  # as many values, later
        drop(folder, "a.csv", lines, heading="t,X,N,R")
        take(folder)
        found = ask(
            folder,
            "SELECT air_temp_max_c, air_temp_min_c, rain_mm FROM weather_reading ORDER BY time",
        )
        assert len(found) == 18
        assert found[4] == (25, 5, 0)
        assert found[8] == (31, 6, 2)
        assert ask(folder, "SELECT line, cause, expected FROM quarantine ORDER BY 1") == [
            (7, TWO_ROWS, "one row a day; line 6 stands"),
            (11, TWO_ROWS, "one row a day; line 21 stands"),
        ]
        assert ask(folder, "SELECT rows_in, rows_landed, rows_quarantined FROM delivery") == [
            (20, 18, 2)
        ]

    def test_rows_that_fill_each_other_are_one_day(self, tmp_path):
        folder = farm(tmp_path, DAILY)
        drop(folder, "a.csv", [self.day(1, 20, 5, ""), self.day(1, 20, "", 3)], heading="t,X,N,R")
        take(folder)
        assert ask(
            folder, "SELECT air_temp_max_c, air_temp_min_c, rain_mm FROM weather_reading"
        ) == [(20, 5, 3)]
        assert rejected(folder) == []

    def test_two_observers_all_month_are_two_instruments(self, tmp_path):
        folder = farm(tmp_path, DAILY)
        lines = [
            self.day(n, 20 + n + k, 5 + k, k) + f",obs{k}" for k in (0, 1) for n in range(1, 31)
        ]
        drop(folder, "a.csv", lines, heading="t,X,N,R,Observer")
        take(folder)
        ((cause, _, expected),) = rejected(folder)
        assert cause == CAUSE
        assert "column 'Observer' (2 entries: obs0, obs1)" in expected


@given(
    st.integers(2, 6),
    st.integers(3, 12),
    st.randoms(use_true_random=False),
)
def test_the_column_is_found_in_any_order_of_the_rows(plots, hours, random):
    pairs = [(p, h) for p in range(plots) for h in range(hours)]
    random.shuffle(pairs)
    rows = pl.DataFrame(
        {
            "time_0": [str(h) for _, h in pairs],
            "x:plot": [f"p{p}" for p, _ in pairs],
            "x:row": [str(i) for i in range(len(pairs))],
            "x:same": ["s"] * len(pairs),
            "x:with the hour": [str(h // 2) for _, h in pairs],
        }
    )
    assert telling_columns(rows, ["time_0"]) == ("x:plot",)
