"""A share that hangs holds nothing up: its own step tells it, the others do their work."""

import time

import pytest

from flows.base import files
from flows.run import quiet, steps
from flows.setup.inspection import checks
from tests.faults.hanging import Hanging
from tests.flows.loggers import FARM, ask, drop, make, usual


@pytest.fixture
def gone(tmp_path, monkeypatch):
    monkeypatch.setattr(files.answers, "__defaults__", (3.0,))
    try:
        with Hanging(tmp_path / "share") as share:
            yield share.at
    except PermissionError as why:
        pytest.skip(f"no such mount can be made here: {why}")


def test_what_answers_and_what_does_not(tmp_path, gone):
    farm = tmp_path / "farm"
    farm.mkdir()
    assert files.answers(tmp_path, farm)
    assert files.answers(tmp_path / "nothing here", farm)
    assert not files.answers(gone / "deeper", farm)
    (farm / "drop").symlink_to(gone)
    assert not files.answers(farm / "drop", farm)
    assert not files.answers(farm / "drop" / "deeper", farm)
    assert not files.is_there(farm / ".." / "share", farm)


def test_a_share_that_begins_to_hang_ends_a_quiet_turn(tmp_path):
    at = tmp_path / "share"
    at.mkdir()
    other = FARM[FARM.index("[[sources]]") :].replace('"hourly"', '"remote"', 1)
    toml = FARM + other.replace('glob = "*.csv"', f'glob = "*.csv"\npath = "{at.as_posix()}"')
    folder = make(tmp_path / "farm", toml.replace('layout = "remote"', 'layout = "hourly"'))
    steps.turn(folder)
    steps.turn(folder)
    assert quiet.again(folder) is not None
    try:
        with Hanging(at):
            assert quiet.again(folder) is None
    except PermissionError as why:
        pytest.skip(f"no such mount can be made here: {why}")


def test_the_other_sources_land_and_the_backup_is_tried_again(tmp_path, gone):
    other = FARM[FARM.index("[[sources]]") :].replace('"hourly"', '"remote"', 1)
    toml = FARM + other.replace('glob = "*.csv"', f'glob = "*.csv"\npath = "{gone.as_posix()}"')
    toml = toml.replace('layout = "remote"', 'layout = "hourly"')
    folder = make(tmp_path / "farm", toml + f'[backup]\nto = "{gone.as_posix()}/farm"\n')
    drop(folder, "a.csv", [usual(h) for h in range(24)])
    began = time.monotonic()
    done = {run.flow: run for run in steps.turn(folder)}
    assert done["collect"].notes == [f"The folder {gone} cannot be reached; it is tried again."]
    assert ask(folder, "SELECT count(*) FROM weather_reading") == [(24,)]
    assert done["publish"].state == "done"
    assert done["backup"].state == "attention"
    assert "it does not answer" in done["backup"].summary
    told = [one.sentence for one in checks.inspect(folder) if one.severity == "attention"]
    assert sum(str(gone) in sentence for sentence in told) >= 2  # the source's folder, the backup's
    assert time.monotonic() - began < 120  # it ended at all: the mount would hold it for ever
