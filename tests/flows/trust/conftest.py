from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from flows.farm.folder import FarmFolder
from flows.run import steps
from tests.flows import loggers
from tests.flows.loggers import drop, usual

BACKUP = "\n[backup]\nto = '../the share/farm'\nkeep = 2\n"


@pytest.fixture(scope="session")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = loggers.make(tmp_path_factory.mktemp("made") / "farm", loggers.ENDED + BACKUP)
    drop(folder, "a.csv", [usual(h) for h in range(30)])
    drop(folder, "b.csv", [usual(h) for h in range(30, 40)])
    (folder.root / "fieldbook").mkdir()
    (folder.root / "fieldbook" / "fields.csv").write_text("field,practice\nNorth,deep tillage\n")
    folder.digests.mkdir()
    (folder.digests / "2020-W23.html").write_text("<p>a page</p>")
    steps.turn(folder, steps=(steps.collect, steps.derive, steps.publish))
    return folder.root


@pytest.fixture
def farm(tmp_path: Path, made: Path) -> FarmFolder:
    """A farm with two deliveries landed, a field book and a digest; backed up every night."""
    (tmp_path / "the share").mkdir()
    return FarmFolder.at(Path(shutil.copytree(made, tmp_path / "farm")))


@pytest.fixture
def to(tmp_path: Path) -> Path:
    return tmp_path / "the share" / "farm"
