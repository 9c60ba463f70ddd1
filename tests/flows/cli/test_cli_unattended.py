"""The commands of the unattended room: words, exit codes, no traceback."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

from flows.farm.folder import FarmFolder
from flows.run import steps
from flows.setup.new import new
from tests.flows.cli.calling import call


@pytest.fixture
def root(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("HOME", str(tmp_path / "home"))
    monkeypatch.delenv("XDG_CONFIG_HOME", raising=False)
    new(tmp_path / "my farm", "metric")
    return tmp_path / "my farm"


def test_backup_and_restore_by_command(
    root: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    code, _, err = call(capsys, monkeypatch, "backup", root)
    assert code == 2
    assert "checkstrip once" in err
    toml = root / "farm.toml"
    toml.write_text(toml.read_text(encoding="utf-8") + "\n[backup]\nto = '../away'\n")
    code, out, err = call(capsys, monkeypatch, "once", root)
    assert code == 0, out + err
    flows = [line.split(":")[0] for line in out.splitlines() if not line.startswith(" ")]
    assert flows == ["collect", "derive", "publish", "backup"]
    assert (tmp_path / "away" / "READ ME.txt").is_file()
    # Not due again, and one by hand goes where it is told.
    assert "backup:" not in call(capsys, monkeypatch, "once", root)[1]
    code, out, _ = call(capsys, monkeypatch, "backup", root, "--to", tmp_path / "by hand")
    assert code == 0
    assert "restored and says the same" in out
    shutil.rmtree(tmp_path / "by hand")
    code, out, _ = call(capsys, monkeypatch, "backup", root, "--to", tmp_path / "by hand")
    assert code == 1
    assert "Is the disk connected" in out
    assert call(capsys, monkeypatch, "backup", root, "--to", tmp_path / "by hand", "--anew")[0] == 0
    code, out, err = call(capsys, monkeypatch, "restore", tmp_path / "away", tmp_path / "back")
    assert code == 0, out + err
    assert "says what it said then" in out
    assert steps.turn(FarmFolder.at(tmp_path / "back"))[0].state == "done"
    code, _, err = call(capsys, monkeypatch, "restore", tmp_path / "away", tmp_path / "back")
    assert code == 2
    assert "not empty" in err


def test_service_and_inspect_by_command(
    root: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    code, out, _ = call(capsys, monkeypatch, "service", "show", root)
    assert code == 0
    assert "not there yet" in out
    assert str(root) in out
    code, out, _ = call(capsys, monkeypatch, "service", "remove", root)
    assert code == 0
    assert "No service is installed" in out
    assert call(capsys, monkeypatch, "service", "sing", root)[0] == 2
    code, out, _ = call(capsys, monkeypatch, "inspect", root, "--json")
    found = json.loads(out)
    assert code == 1  # nothing is published and no backup is set up
    assert {"backup", "runs"} <= {f["about"] for f in found if f["severity"] == "attention"}
    assert "Needs attention" in call(capsys, monkeypatch, "inspect", root)[1]
