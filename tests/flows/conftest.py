from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import duckdb
import pytest

from flows.farm.folder import FarmFolder
from flows.store import warehouse
from tests.flows import invented


@pytest.fixture
def folder(tmp_path: Path) -> FarmFolder:
    return invented.folder_at(tmp_path)


@pytest.fixture
def con(folder: FarmFolder) -> Iterator[duckdb.DuckDBPyConnection]:
    """A writer's connection to a warehouse with the invented set-up and no readings."""
    with warehouse.open_writer(folder) as writer:
        invented.put_setup(writer, invented.setup())
        yield writer


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    from tests.flows import browser  # for start-up time: most tests need no browser

    with browser.started() as chromium:
        yield chromium
