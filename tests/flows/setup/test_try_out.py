import os

from flows.setup.try_out import try_out
from tests.flows import fieldbooks
from tests.flows.loggers import FARM, ask, drop, make, row, take, usual


def everything(folder):
    return {
        path: path.read_bytes()
        for path in sorted(folder.root.rglob("*"))
        if path.is_file() and path.suffix not in (".duckdb", ".lock", ".wal")
    }


def test_says_what_would_land_change_and_be_refused_without_doing_it(tmp_path):
    folder = make(tmp_path / "farm")
    drop(folder, "a.csv", [row(h, 50, 0.1, 0.29, 0.35) for h in range(10)])
    take(folder)
    drop(folder, "b.csv", [row(h, 50, 0.1, 0.29, 0.35) for h in range(8, 13)] + ["noon,1,2,3,4"])
    before, held = everything(folder), ask(folder, "FROM weather_reading ORDER BY time")
    (now,) = try_out(folder)
    assert (now.source, now.new, now.reread) == ("hourly", 1, 0)
    assert (now.rows_landed, now.rows_quarantined) == (13, 1)
    assert (now.values_added, now.values_changed, now.values_gone) == (3 * 4, 0, 0)
    assert "time not read" in now.causes[0]
    other = tmp_path / "other.toml"
    other.write_text(FARM.replace("degF", "degC").replace("depth_cm = 10}", "depth_cm = 11.5}", 1))
    (then,) = try_out(folder, other)
    assert (then.new, then.reread) == (1, 1)
    assert then.values_changed == 10  # air temperature
    assert then.values_gone == 10  # the sensor at 10 cm is no longer declared
    assert then.rows_quarantined_before == 0
    assert any("no such sensor" in cause for cause in then.causes)
    assert everything(folder) == before
    assert ask(folder, "FROM weather_reading ORDER BY time") == held
    assert take(folder).deliveries == 1


def test_tells_of_a_file_that_no_source_takes(tmp_path):
    folder = make(tmp_path / "farm")
    path = drop(folder, "a.xyz", [usual(1)])
    os.utime(path, (1, 1))
    (found,) = try_out(folder)
    assert (found.source, found.refused_whole) == ("(no source)", 1)
    assert "1 rejected" in found.sentences[0]


def test_names_rain_that_cannot_be(tmp_path):
    folder = make(tmp_path / "farm")
    hours = [row(h, 50, 36 if h == 5 else 0.01, 0.29, 0.35) for h in range(24)]
    drop(folder, "a.csv", hours)
    (found,) = try_out(folder)
    (said,) = found.findings
    start = "days at west with rain that cannot be or is hard to believe: 1, such as 914.4 mm on 2020-06-01"
    assert said.startswith(start)
    assert "914.4 mm were left out: more than was ever measured anywhere" in said
    assert said in found.sentences[-1]
    drop(folder, "a.csv", [row(h, 50, 2 if h == 5 else 0.01, 0.29, 0.35) for h in range(24)])
    (usual,) = try_out(folder)
    assert usual.findings == []


def test_reads_the_field_book_too_and_changes_nothing(tmp_path):
    folder = make(tmp_path / "farm")
    folder.make()
    sheets = fieldbooks.book()
    saved = fieldbooks.workbook(sheets)
    folder.fieldbook_file.write_bytes(saved)
    before = everything(folder)
    (good,) = try_out(folder)
    assert good.sentences == ["field book: every entry would be used."]
    sheets["passes"][0][4] = "mass"  # of six passes, all without a unit
    sheets["costs"][1][0] = "Hoem"
    folder.fieldbook_file.write_bytes(fieldbooks.workbook(sheets))
    (bad,) = try_out(folder)
    assert bad.sentences[0] == "field book: 2 entries would be rejected."
    told = " ".join(bad.sentences)
    assert "6 passes were left out" in told
    assert "No yield would land" in told
    folder.fieldbook_file.write_bytes(saved)
    assert everything(folder) == before
    folder.fieldbook_file.write_bytes(b"no workbook")
    (unread,) = try_out(folder)
    assert unread.refused_whole == 1


DAILY = FARM.replace('step = "1 h"', 'step = "1 day"\nstamp = "start"')


def test_names_days_that_two_files_of_a_source_give_differently(tmp_path):
    folder = make(tmp_path / "farm", DAILY)
    drop(folder, "a.csv", [row(24 * n, 50 + n, 0.1, "", "") for n in range(9)])
    take(folder)
    drop(folder, "b.csv", [row(24 * n, 60 + n, 0.1, "", "") for n in range(6, 12)])
    (found,) = try_out(folder)
    assert found.findings == [
        "3 days of west since 2020-06-08 have other values in another file of the source hourly "
        "(such as a.csv and b.csv). The later file stands, value by value. If two observers wrote "
        "them, give each observer a station and a source of its own in farm.toml."
    ]
    assert found.findings[0] in found.sentences[-1]


def test_hours_and_the_same_file_again_are_no_two_versions_of_a_day(tmp_path):
    hours = make(tmp_path / "hours")
    drop(hours, "a.csv", [row(n, 50, 0.1, "", "") for n in range(9)])
    take(hours)
    drop(hours, "b.csv", [row(n, 60, 0.1, "", "") for n in range(9)])
    assert try_out(hours)[0].findings == []
    days = make(tmp_path / "days", DAILY)
    drop(days, "a.csv", [row(24 * n, 50, 0.1, "", "") for n in range(9)])
    take(days)
    drop(days, "a.csv", [row(24 * n, 60, 0.1, "", "") for n in range(9)])
    assert try_out(days)[0].findings == []


FLAGGED = FARM.replace(
    '"m^3/m^3", depth_cm = 10}', '"m^3/m^3", depth_cm = 10, flag = "F", flags = {D05 = "suspect"}}'
)


def test_names_values_that_their_network_flags(tmp_path):
    folder = make(tmp_path / "farm", FLAGGED)
    lines = [row(h, 50, 0.1, 0.29, 0.35, "D05" if h < 6 else "") for h in range(10)]
    drop(folder, "a.csv", lines, heading="t,T,R,S1,S2,F")
    (found,) = try_out(folder)
    assert found.findings == [
        "flagged as suspect at deep by its own network or logger, kept and not used: "
        "6 of 10 values of vwc_pct at 10 cm (D05)"
    ]


TWO = (
    FARM.replace(
        "[[probes]]",
        """[[stations]]
name = "east"
ids = ["E1"]
spells = [{field = "North", strip = "check", from = 2020-01-01}]
[[probes]]""",
    )
    + """
[[sources]]
name = "east"
layout = "hourly"
station = "east"
probe = "deep"
glob = "*.txt"
settle_s = 0
"""
)


def test_names_a_gauge_that_caught_nothing_while_another_did(tmp_path):
    folder = make(tmp_path / "farm", TWO)
    for name, wet in (("a.csv", 0.2), ("b.txt", 0)):
        lines = [row(h, 50, wet if h % 24 == 5 else 0, "", "") for h in range(24 * 20)]
        drop(folder, name, lines)
    east, hourly = try_out(folder)
    assert hourly.findings == []
    (said,) = east.findings
    assert said.startswith("days at east that count as not recorded: 19 since 2020-06-01 (")
    assert "caught nothing on 19 days in a row while west caught" in said
