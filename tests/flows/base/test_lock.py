from __future__ import annotations

import errno
from pathlib import Path

import pytest

from flows.base import lock
from flows.base.errors import Busy, of_the_disk


def test_a_lock_is_free_after_use(tmp_path: Path) -> None:
    path = tmp_path / "state" / "some.lock"
    with lock.hold(path, "trying"):
        with pytest.raises(Busy, match="trying"), lock.hold(path, "again"):
            pass
        assert "trying" in lock.holder(path)
    with lock.hold(path, "again"):
        assert "again" in lock.holder(path)


@pytest.mark.parametrize(
    ("number", "expected"),
    [
        (errno.EAGAIN, Busy),
        (errno.EACCES, Busy),
        (errno.ENOLCK, OSError),
        (errno.EIO, OSError),
        (errno.EOPNOTSUPP, OSError),
    ],
)
def test_only_a_lock_that_is_taken_means_another_at_work(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, number: int, expected: type[Exception]
) -> None:
    """What POSIX and Linux say of flock and fcntl: EAGAIN or EACCES is 'taken', the rest is the disk's."""
    path = tmp_path / "some.lock"

    def refuses(handle: int) -> None:
        raise OSError(number, "what the system says")

    monkeypatch.setattr(lock, "_take", refuses)
    with pytest.raises(expected) as raised, lock.hold(path, "trying"):
        pass
    assert type(raised.value) is not Busy or expected is Busy
    if expected is OSError:
        told = of_the_disk(raised.value)
        assert told is not None
        assert "it cannot be locked: what the system says" in told
        assert str(path) in told
        assert "Another Checkstrip" not in told
