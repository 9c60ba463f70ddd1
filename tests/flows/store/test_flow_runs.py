import logging
from datetime import UTC, datetime, timedelta

import pytest

from flows.base.errors import Busy
from flows.farm import logs
from flows.run import steps
from flows.store import flow_runs, query, warehouse
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


def noted(folder):
    with warehouse.open_writer(folder) as con:
        return con.sql("SELECT flow, state, summary FROM flow_run ORDER BY started_at").fetchall()


def test_runs_wait_for_the_next_writer_and_are_written_once(folder, monkeypatch):
    for flow in ("audit", "backup"):
        with flow_runs.recorded(folder, flow) as run:
            run.summary = f"of {flow}"
    assert not folder.warehouse_file.exists()  # a run alone opens nothing
    both = [("audit", "done", "of audit"), ("backup", "done", "of backup")]
    monkeypatch.setattr(flow_runs, "forget", lambda _: None)  # the disk refuses
    assert noted(folder) == both
    assert noted(folder) == both
    monkeypatch.undo()
    assert noted(folder) == both
    assert not list((folder.state / flow_runs.WAITING).iterdir())


def test_a_run_that_ends_while_others_are_written_is_not_dropped_with_them(folder, monkeypatch):
    with flow_runs.recorded(folder, "audit"):
        pass
    real = flow_runs.forget

    def late(written):
        with flow_runs.recorded(folder, "backup"):  # as another process would
            pass
        real(written)

    monkeypatch.setattr(flow_runs, "forget", late)
    assert [row[0] for row in noted(folder)] == ["audit"]
    monkeypatch.undo()
    assert [row[0] for row in noted(folder)] == ["audit", "backup"]


def test_runs_that_wait_for_a_warehouse_that_is_damaged_come_when_it_is_whole(folder):
    folder.make()
    folder.warehouse_file.write_bytes(b"no warehouse" * 1000)
    with flow_runs.recorded(folder, "audit") as run:
        run.summary = "of a damaged one"
    folder.warehouse_file.unlink()
    assert noted(folder) == [("audit", "done", "of a damaged one")]


def test_the_published_copy_has_the_runs_before_publishing(folder):
    steps.turn(folder)
    with query.open_published(folder) as con:
        found = con.sql("SELECT flow FROM flow_run ORDER BY flow").fetchall()
    assert found == [("collect",), ("derive",)]
