"""The short versions of the long experiments, each in a process of its own that forks."""

import json
import subprocess
import sys

import pytest

from tests.faults import forked

pytestmark = pytest.mark.skipif(not forked.CAN, reason="needs fork and /proc, as Linux has them")


def found(*words):
    done = subprocess.run(
        [sys.executable, "-m", "tests.faults.long", *words, "--json"],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.stdout, done.stderr[-3000:]
    told = json.loads(done.stdout)
    if told["skipped"]:
        pytest.skip(told["skipped"])
    assert told["wrong"] == []
    assert done.returncode == 0
    return told["rows"]


@pytest.mark.parametrize("step", ["collect, later", "publish", "digest, mailed", "alert"])
def test_killed_at_any_moment_a_quiet_run_makes_it_whole(step):
    rows = found("kills", "--n", "3", "--only", step)
    assert sum(row[1] for row in rows[:-1]) >= 3


def test_a_failing_call_is_told_and_costs_nothing():
    rows = found("failing", "--n", "4", "--only", "publish")
    assert sum(row[2] for row in rows) >= 8


def test_what_a_power_cut_leaves_is_made_whole():
    rows = found("unsynced", "--n", "4", "--only", "collect, first")
    assert rows[0][2:] == [4, 4]


def test_a_disk_that_fills_costs_nothing():
    rows = found("full", "--n", "8", "--only", "collect")
    assert rows[0][1] == rows[0][4] == 2
    assert rows[0][2] >= 1


def test_half_a_file_is_mended_by_the_whole_one():
    rows = found("partly", "--n", "2", "--only", "gzip")
    assert all(row[2] == row[3] > 0 for row in rows)


@pytest.mark.parametrize("form", ["comma", "ndjson", "xlsx", "zip"])
def test_mutated_files_lose_and_invent_nothing(form):
    rows = found("fuzz", "--n", "330", "--only", form)
    assert rows[0][1] == 30
    assert rows[0][6] > 0


def test_mutated_field_books_are_read_or_refused():
    rows = found("fuzz", "--n", "300", "--only", "field")
    assert rows[-1][1] == 60


def test_damage_at_rest_is_seen_and_cured():
    ((_, ways, commands, *_, cured),) = found("rest", "--n", "1", "--only", "published")
    assert (ways, commands, cured) == (1, 6, 1)


def test_the_state_machine_holds():
    assert found("machine", "--n", "1")[0][0] == 1


def test_some_simulated_days():
    ((days, turns, _, readings, due, made, letters, *_),) = found("year", "--n", "4")
    assert (days, turns, due, made, letters) == (4, 8, 1, 1, 2)
    assert readings > 100
