import shutil

import pytest

from flows.farm.folder import FarmFolder
from flows.store import warehouse
from tests.flows import invented
from tests.flows.trust.audit.sound_farm import filled


@pytest.fixture(scope="module")
def stored(tmp_path_factory):
    """A farm whose warehouse is sound, made once; each test breaks a copy."""
    folder = invented.folder_at(tmp_path_factory.mktemp("sound"))
    with warehouse.open_writer(folder) as con:
        invented.put_setup(con, invented.setup())
        filled(con)
    return folder.root


@pytest.fixture
def sound(stored, tmp_path):
    copy = FarmFolder.at(shutil.copytree(stored, tmp_path / "copy"))
    with warehouse.open_writer(copy) as con:
        yield con
