import logging
from datetime import UTC, datetime, timedelta

import pytest

from flows.base.errors import Busy
from flows.farm import logs
from flows.run import steps
from flows.store import flow_runs
from tests.flows.loggers import FARM, make


@pytest.fixture
def folder(tmp_path):
    return make(tmp_path / "farm", FARM)


class Ended(BaseException):
    """As what a scheduler raises in a run that is asked to end."""


@pytest.mark.parametrize(
    ("error", "told"),
    [
        (ValueError("no such thing"), "no such thing"),
        (ValueError(), "ValueError"),
        (OSError(28, "No space left on device"), "The disk is full"),
        (KeyboardInterrupt(), "stopped by the user"),
        (Ended("1"), "stopped before it was done"),
        (SystemExit(1), "stopped before it was done"),
    ],
)
def test_how_a_run_ended_is_told_in_words(folder, error, told):
    with pytest.raises(type(error)), flow_runs.recorded(folder, "audit"):
        raise error
    last = flow_runs.last(folder)["audit"]
    assert last.state == "failed"
    assert last.summary.startswith(told)


def test_one_that_finds_another_at_work_is_not_recorded(folder):
    with pytest.raises(Busy), flow_runs.recorded(folder, "collect"):
        raise Busy("another")
    assert flow_runs.last(folder) == {}


def test_what_is_logged_in_a_run_stands_in_the_farms_log_and_nowhere_after(folder):
    log = logging.getLogger("checkstrip.land")
    with flow_runs.recorded(folder, "collect"):
        log.error("delivery 7 could not be read")
    log.error("of another farm")
    said = (folder.logs / "checkstrip.log").read_text(encoding="utf-8")
    assert said.count("ERROR delivery 7 could not be read") == 1
    assert "of another farm" not in said


def test_a_log_that_cannot_be_written_stops_nothing(folder, capfd):
    folder.logs.parent.mkdir(parents=True, exist_ok=True)
    folder.logs.write_text("a file where the folder should be")
    with logs.kept(folder):
        logging.getLogger("checkstrip").error("lost")
    assert "Traceback" not in capfd.readouterr().err


def test_an_audit_that_was_broken_off_is_made_up_for_and_a_whole_one_is_not(folder, monkeypatch):
    made = []
    monkeypatch.setattr(steps, "audit", lambda folder, tick: made.append(folder))

    def again():
        made.clear()
        steps.audit_if_missed(folder)
        return len(made)

    assert again() == 1  # never before
    with flow_runs.recorded(folder, "audit"):
        pass
    assert again() == 0
    with pytest.raises(SystemExit), flow_runs.recorded(folder, "audit"):
        raise SystemExit(1)
    assert again() == 1
    with flow_runs.recorded(folder, "audit") as run:
        run.started_at = (datetime.now(UTC) - timedelta(days=2)).isoformat()
    assert again() == 1  # a night was missed
