"""Two programs on one farm: an older one is refused, and two that take turns are told."""

from __future__ import annotations

from pathlib import Path

import duckdb
import pytest

from flows.base.errors import UserError
from flows.derive import made_by
from flows.run import steps
from flows.store import programs
from flows.trust.backup import rebuild
from tests.faults import farms


def test_one_that_stays_or_is_new_is_no_news_and_one_that_comes_back_is(
    con: duckdb.DuckDBPyConnection,
) -> None:
    assert programs.note(con, "a", "/a") is None
    assert programs.note(con, "a", "/a") is None
    assert programs.note(con, "b", "/b") is None  # it may be an upgrade
    assert programs.note(con, "b", "/b") is None
    for this, other in (("a", "b"), ("b", "a")):
        said = programs.note(con, this, f"/{this}")
        assert said is not None
        assert f"this one ({programs.VERSION}, /{this}) and {programs.VERSION} (/{other})" in said
    assert programs.note(con, "b", "/b") is None
    assert programs.note(con, "c", "/c") is None


@pytest.mark.parametrize(
    ("version", "refused"),
    [
        ("0.1.9", True),
        ("0.2.0", False),
        ("0.10", False),
        ("1.0.0+local", False),
        ("not installed", False),
    ],
)
def test_versions_are_compared_as_numbers(
    con: duckdb.DuckDBPyConnection, monkeypatch: pytest.MonkeyPatch, version: str, refused: bool
) -> None:
    monkeypatch.setattr(programs, "VERSION", "0.2.0")
    programs.note(con, "a", "/later")
    monkeypatch.setattr(programs, "VERSION", version)
    if refused:
        with pytest.raises(
            UserError, match=r"made by Checkstrip 0.2.0 \(/later\), and this is 0.1.9"
        ):
            programs.refuse_older(con)
    else:
        programs.refuse_older(con)


def test_an_older_program_changes_nothing_until_it_rebuilds(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = farms.make(tmp_path / "farm")
    monkeypatch.setattr(made_by, "fingerprint", lambda: "later")
    monkeypatch.setattr(programs, "VERSION", "9.0.0")
    steps.collect(folder)
    steps.derive(folder)
    monkeypatch.undo()
    before = folder.warehouse_file.read_bytes()
    for step in (steps.collect, steps.derive):
        with pytest.raises(UserError, match=r"To go back to this one for good: checkstrip rebuild"):
            step(folder)
    assert folder.warehouse_file.read_bytes() == before
    rebuild.rebuild(folder)
    assert steps.derive(folder).state == "done"
