from __future__ import annotations

import shutil
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from flows.farm.folder import FarmFolder
from flows.trust import archive_check, growth

NOW = datetime(2026, 11, 28, tzinfo=UTC)
GB = 1 << 30


def rate(farm: FarmFolder, days_ago: list[float], size: int) -> float | None:
    """MB a day, if files of that size came so many days ago, besides a large one at first."""
    archive = archive_check.read(farm, None)
    first = archive.receipts[0]
    given = [(max(days_ago) + 0.5, 900_000_000), *((ago, size) for ago in days_ago)]
    archive.receipts = [
        replace(first, received_at=NOW - timedelta(days=ago), size=size) for ago, size in given
    ]
    a_day = growth.of(farm, archive, NOW).a_day
    return None if a_day is None else a_day / 1e6


def test_the_rate_is_that_of_lately_without_the_first_import(farm: FarmFolder) -> None:
    farm.warehouse_file.unlink()
    daily = [float(day) for day in range(800)]
    assert rate(farm, daily, 1_000_000) == pytest.approx(1.0, rel=0.05)
    # The faster of 90 and 365 days counts, and what is older counts no more.
    assert rate(farm, [*range(90), 799.0], 1_000_000) == pytest.approx(1.0, rel=0.05)
    assert rate(farm, [*range(100, 300), 799.0], 1_000_000) == pytest.approx(200 / 365, rel=0.05)
    assert rate(farm, [*range(400, 800)], 1_000_000) == 0
    assert rate(farm, [1.0, 2.0, 5.0], 1_000_000) is None
    # A small file takes a block of the disk.
    assert rate(farm, daily, 10) == pytest.approx(0.0041, rel=0.1)


def test_the_warehouse_grows_with_the_archive(farm: FarmFolder) -> None:
    daily = [float(day) for day in range(800)]
    size = farm.warehouse_file.stat().st_size
    alone = 1 + 2 * size / (900_000_000 + 800 * 1_000_000)
    assert rate(farm, daily, 1_000_000) == pytest.approx(alone, rel=0.05)


def test_only_a_disk_that_is_full_soon_is_a_concern(
    farm: FarmFolder, monkeypatch: pytest.MonkeyPatch
) -> None:
    usage = shutil.disk_usage(farm.root)
    monkeypatch.setattr(shutil, "disk_usage", lambda _: usage._replace(free=5 * GB))
    assert growth.of(farm, archive_check.read(farm, None), NOW).a_day is None
    soon = growth.Growth(3 * GB, GB, 2 * GB / 364)
    later = replace(soon, a_day=2 * GB / 366)
    assert (soon.is_concern, later.is_concern) == (True, False)
    assert "the disk is full in November 2027" in soon.sentence(NOW)
    assert growth.Growth(GB // 2, GB, 1.0).is_concern
    assert not growth.Growth(GB, 0, None).is_concern
    assert "more than 50 years" in growth.Growth(3 * GB, GB, 1.0).sentence(NOW)
