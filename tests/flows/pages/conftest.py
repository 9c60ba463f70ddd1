from __future__ import annotations

import pytest

from flows.farm.folder import FarmFolder
from tests.flows.pages import farm


@pytest.fixture(scope="session")
def published(tmp_path_factory: pytest.TempPathFactory) -> FarmFolder:
    """Shared and only read."""
    return farm.publish_small_farm(tmp_path_factory.mktemp("pages"))


@pytest.fixture(scope="session")
def tables(published: FarmFolder) -> farm.MemoryTables:
    return farm.MemoryTables(farm.frames(published))
