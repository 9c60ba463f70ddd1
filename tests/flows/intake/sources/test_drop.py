"""A file that ends in the middle of a line: a cut number looks whole, so it is held back a while."""

import gzip
import os

import pytest

from flows.intake import collect
from flows.intake.sources import drop
from tests.flows.loggers import FARM, ask, make, row

NOON = 1_800_000_000.0
TOML = FARM.replace("settle_s = 0", "settle_s = 60")


@pytest.fixture
def clock(monkeypatch):
    """``clock(folder, minutes)`` collects that many minutes after noon."""
    now = [NOON]
    monkeypatch.setattr(drop.time, "time", lambda: now[0])

    def at(folder, minutes):
        now[0] = NOON + minutes * 60
        return collect.collect(folder).notes

    return at


def written(folder, text, minutes, name="a.csv"):
    path = folder.drop / name
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    os.utime(path, (NOON + minutes * 60,) * 2)
    return path


def temps(folder):
    query = "SELECT round(air_temp_c * 9 / 5 + 32, 2) FROM weather_reading ORDER BY time"
    return [row[0] for row in ask(folder, query)]


HEAD = "t,T,R,S1,S2\n"
WHOLE = row(1, 50.25, 0, 0.31, 0.3512)
CUT = HEAD + WHOLE[:-1]  # 0.351 of 0.3512


def test_a_cut_number_never_comes_in_where_the_line_is_finished_meanwhile(tmp_path, clock):
    folder = make(tmp_path / "farm", TOML)
    written(folder, CUT, 0)
    notes = clock(folder, 3)
    assert notes == [
        "drop/a.csv ends in the middle of a line; it is taken when the line is whole, or when "
        "it has not changed for 10 minutes."
    ]
    assert ask(folder, "SELECT count(*) FROM delivery") == [(0,)]
    written(folder, HEAD + WHOLE + "\n", 4)
    assert clock(folder, 6) == []
    deep = "SELECT round(vwc_pct, 2) FROM soil_reading WHERE depth_cm = 30"
    assert ask(folder, deep) == [(35.12,)]
    assert ask(folder, "SELECT count(*) FROM superseded_reading") == [(0,)]


def test_a_logger_that_never_ends_its_last_line_loses_nothing(tmp_path, clock):
    folder = make(tmp_path / "farm", TOML)
    written(folder, HEAD + WHOLE, 0)
    assert clock(folder, 5)
    assert clock(folder, 11) == []
    assert temps(folder) == [50.25]
    rows = ask(
        folder, "SELECT rows_in, rows_landed, rows_quarantined, rows_duplicate FROM delivery"
    )
    assert rows == [(1, 1, 0, 0)]


def test_one_that_grows_and_grows_without_ending_a_line_is_taken_within_the_hour(tmp_path, clock):
    folder = make(tmp_path / "farm", TOML)
    lines, taken = [HEAD.strip()], None
    for minute in range(0, 120, 5):
        lines.append(row(minute // 5, 50, 0, 0.31, 0.35))
        written(folder, "\n".join(lines), minute)
        notes = clock(folder, minute + 2)
        if taken is None and not notes:
            taken = minute
    assert taken == 60
    clock(folder, 300)
    assert len(temps(folder)) == 24
    balance = "sum(rows_in) - sum(rows_landed) - sum(rows_quarantined) - sum(rows_duplicate)"
    assert ask(folder, f"SELECT {balance} FROM delivery") == [(0,)]


def test_what_settled_long_ago_is_packed_or_ends_well_is_taken_at_once(tmp_path, clock):
    folder = make(tmp_path / "farm", TOML)
    written(folder, HEAD + WHOLE, -11, "old.csv")
    written(folder, gzip.compress((HEAD + row(2, 51, 0, 0.31, 0.35)).encode()), -2, "packed.csv")
    written(folder, HEAD + row(3, 52, 0, 0.31, 0.35) + "\r\n", -2, "windows.csv")
    written(folder, HEAD + row(4, 53, 0, 0.31, 0.35) + "\n" + "\x00" * 40, -2, "padded.csv")
    assert clock(folder, 0) == []
    assert temps(folder) == [50.25, 51, 52, 53]


def test_a_file_that_is_written_to_without_pause_is_taken_by_whole_lines(tmp_path, clock):
    folder = make(tmp_path / "farm", TOML + 'after = "move"\n')
    lines = [row(i, 40 + i / 4, 0, 0.31, 0.3512) + "\n" for i in range(40)]
    for minute in range(26):
        text = HEAD + "".join(lines[: minute + 1]) + lines[minute + 1][:-3]  # it cuts a number
        path = written(folder, text, minute)
        notes = clock(folder, minute)
        if minute in (10, 20):
            assert "written to without pause; its whole lines so far were taken" in notes[0]
        else:
            assert notes == ["1 file is settling, 60 s left: drop/a.csv."]
        expected = 0 if minute < 10 else 11 if minute < 20 else 21
        assert len(temps(folder)) == expected, minute
        assert path.exists()
    written(folder, HEAD + "".join(lines), 26)
    assert clock(folder, 30) == []
    assert temps(folder) == [40 + i / 4 for i in range(40)]
    assert ask(folder, "SELECT count(*) FROM superseded_reading") == [(0,)]


def test_a_packed_file_that_grows_is_never_cut(tmp_path, clock):
    folder = make(tmp_path / "farm", TOML)
    for minute in range(70):
        written(folder, gzip.compress((HEAD + WHOLE + "\n" * minute).encode()), minute)
        assert clock(folder, minute) == ["1 file is settling, 60 s left: drop/a.csv."]


def test_a_long_settle_time_waits_no_longer_than_an_hour_or_itself(tmp_path, clock):
    folder = make(tmp_path / "farm", FARM.replace("settle_s = 0", "settle_s = 900"))
    taken = []
    for minute in range(0, 90, 5):
        written(folder, HEAD + (WHOLE + "\n") * (minute + 1), minute)
        clock(folder, minute)
        taken.append(bool(temps(folder)))
    assert taken.index(True) * 5 == 60


def test_a_file_over_max_mb_is_reported_and_not_taken(tmp_path, clock):
    folder = make(tmp_path / "farm", FARM.replace("settle_s = 0", "settle_s = 0\nmax_mb = 0.001"))
    written(folder, HEAD + (WHOLE + "\n") * 100, 0)
    for minute in (0, 5):
        (note,) = clock(folder, minute)
        assert "more than max_mb = 0.001 allows" in note
    assert ask(folder, "SELECT count(*) FROM delivery") == [(0,)]
    written(folder, HEAD + WHOLE + "\n", 6)
    assert clock(folder, 10) == []
    assert len(temps(folder)) == 1


def test_a_link_is_reported_once_and_its_file_is_taken_when_it_stands_there(tmp_path, clock):
    folder = make(tmp_path / "farm", TOML)
    outside = tmp_path / "outside.csv"
    outside.write_text(HEAD + WHOLE + "\n")
    link = folder.drop / "a.csv"
    link.symlink_to(outside)
    assert clock(folder, 0) == ["drop/a.csv is a link, which is not followed; put the file there."]
    assert clock(folder, 5) == []
    link.unlink()
    written(folder, HEAD + WHOLE + "\n", 6)
    assert clock(folder, 10) == []
    assert len(temps(folder)) == 1
