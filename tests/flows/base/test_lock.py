from __future__ import annotations

from pathlib import Path

import pytest

from flows.base import lock
from flows.base.errors import Busy


def test_a_lock_is_free_after_use(tmp_path: Path) -> None:
    path = tmp_path / "state" / "some.lock"
    with lock.hold(path, "trying"):
        with pytest.raises(Busy, match="trying"), lock.hold(path, "again"):
            pass
        assert "trying" in lock.holder(path)
    with lock.hold(path, "again"):
        assert "again" in lock.holder(path)
