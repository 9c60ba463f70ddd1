from __future__ import annotations

import shutil
from functools import partial
from pathlib import Path

import pytest

from flows.farm import farm_file
from flows.farm.folder import FarmFolder
from flows.pages.digest import write
from flows.pages.week import Week
from flows.run import steps
from tests.faults import farms, forked
from tests.flows.cli.calling import Run, call
from transforms import order


@pytest.fixture(scope="package")
def sound(tmp_path_factory: pytest.TempPathFactory) -> FarmFolder:
    """A farm that has done everything once, so that it has every file."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(order, "DERIVED", forked.FEW)
        folder = farms.make(tmp_path_factory.mktemp("sound") / "farm", port=9)
        steps.turn(folder)
        farms.later(folder)
        steps.turn(folder)
        steps.turn(folder)  # a quiet one: what was rejected once is not news any more
        write.write(folder, Week.named(farms.WEEK), farm_file.load(folder.farm_toml).mail)
        steps.audit(folder)
        steps.publish(folder)
        steps.backup(folder)
    return folder


@pytest.fixture
def farm(sound: FarmFolder, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> FarmFolder:
    """A copy of the sound farm, with few derived tables."""
    monkeypatch.setattr(order, "DERIVED", forked.FEW)
    shutil.copytree(sound.root, tmp_path / "farm", symlinks=True)
    return FarmFolder.at(tmp_path / "farm")


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Run:
    """Call a command."""
    return partial(call, capsys, monkeypatch)
