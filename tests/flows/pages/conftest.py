from __future__ import annotations

from pathlib import Path

import pytest

from flows.farm.folder import FarmFolder
from tests.flows.pages import farm, smtp


@pytest.fixture(scope="session")
def published(tmp_path_factory: pytest.TempPathFactory) -> FarmFolder:
    """Shared and only read."""
    return farm.publish_small_farm(tmp_path_factory.mktemp("pages"))


@pytest.fixture(scope="session")
def tables(published: FarmFolder) -> farm.MemoryTables:
    return farm.MemoryTables(farm.frames(published))


@pytest.fixture
def port() -> int:
    return smtp.free_port()


@pytest.fixture
def folder(published: FarmFolder, tmp_path: Path) -> FarmFolder:
    """A farm folder of its own beside the shared published copy."""
    mine = FarmFolder(tmp_path / "farm")
    mine.make()
    mine.farm_toml.write_text(published.farm_toml.read_text())
    mine.published_file.hardlink_to(published.published_file)
    return mine
