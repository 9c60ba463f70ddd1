import tarfile
from pathlib import Path

import pytest

PACKED = Path(__file__).parent / "data" / "before_rooms.tar.xz"


@pytest.fixture
def before(tmp_path: Path) -> Path:
    """The folder with a ``farm`` and its backup (``share``) as an older program left them."""
    with tarfile.open(PACKED) as packed:
        packed.extractall(tmp_path, filter="data")
    return tmp_path / "before_rooms"
