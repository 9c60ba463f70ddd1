from __future__ import annotations

import shutil
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from flows.farm.folder import FarmFolder
from flows.store import query
from flows.trust import archive_check
from flows.trust.archive_check import SHARES, missing, read, read_share, share, shares_due
from flows.trust.audit import archived
from flows.trust.backup import last_good, make
from flows.trust.backup.backup_folder import Store
from tests.flows.cli.calling import call

TODAY = datetime(2026, 11, 28, 3, tzinfo=UTC)


def results(farm: FarmFolder, days: int) -> dict[str, int]:
    """How many files each expectation of the audit misses, over that many nights."""
    found: dict[str, int] = {}
    with query.open_published(farm) as con:
        for day in range(days):
            night = archived.results(farm, con, TODAY + timedelta(days=day))
            for words, (result, said) in night.items():
                found[words] = max(found.get(words, 0), result.unmet)
                assert not result.unmet or "--read-all" in said
                assert len(result.examples) == min(result.unmet, 5)
    return found


def test_every_share_has_its_day_and_missed_days_are_caught_up() -> None:
    nights = [
        shares_due(TODAY + timedelta(days=n - 1), TODAY + timedelta(days=n)) for n in range(28)
    ]
    assert set.union(*nights) == set(range(SHARES))
    assert all(len(night) == 1 for night in nights)
    assert shares_due(None, TODAY) == shares_due(TODAY, TODAY) == {TODAY.toordinal() % SHARES}
    assert len(shares_due(TODAY - timedelta(days=5), TODAY)) == 5
    assert len(shares_due(TODAY - timedelta(days=500), TODAY)) == SHARES
    counts = [0] * SHARES
    for number in range(28_000):
        counts[share(f"file {number}")] += 1
    assert max(counts) < 1.2 * 1000


def test_a_sound_archive_is_read_whole_within_a_month(farm: FarmFolder) -> None:
    make.backup(farm)
    assert results(farm, SHARES) == {
        archived.THERE: 0,
        archived.AS_RECEIVED: 0,
        archived.AS_STORED: 0,
    }
    archive = read(farm, None)
    assert missing(archive) == []
    looked = [read_share(archive, {number})[0] for number in range(SHARES)]
    assert sum(looked) == len(list(archive.files())) > 3


@pytest.mark.parametrize(
    ("harm", "seen_at_once"), [("lost", True), ("cut", True), ("changed", False)]
)
def test_each_damage_to_an_object_fails_in_the_month(
    farm: FarmFolder, harm: str, *, seen_at_once: bool
) -> None:
    victim = min(farm.archive.glob("2*/*"))
    content = victim.read_bytes()
    if harm == "lost":
        victim.unlink()
    else:
        victim.write_bytes(content[:-9] if harm == "cut" else content[:-2] + b"9\n")
    found = results(farm, SHARES)
    assert found[archived.AS_RECEIVED] == 1
    assert found[archived.THERE] == int(seen_at_once)
    told = archive_check.attention(farm, read(farm, None))
    assert bool(told) == seen_at_once
    if told:
        assert victim.name in told[0]
        assert f"checkstrip backup {farm.root} --read-all" in told[0]


@pytest.mark.parametrize("place", ["first", "last"])
def test_lost_receipts_are_seen_at_once(farm: FarmFolder, place: str) -> None:
    files = sorted((farm.archive / "receipts").glob("*.jsonl"))
    files[0 if place == "first" else -1].unlink()
    assert results(farm, 1)[archived.THERE] >= 1


@pytest.mark.parametrize("harm", ["lost", "changed"])
def test_damage_in_the_backup_fails_in_the_month(farm: FarmFolder, to: Path, harm: str) -> None:
    whole = make.backup(farm).whole
    path = Store(to).path_of(whole.files[0].sha256)
    path.unlink() if harm == "lost" else path.write_bytes(b"x" * whole.files[0].size)
    found = results(farm, SHARES)
    assert found == {archived.THERE: 0, archived.AS_RECEIVED: 0, archived.AS_STORED: 1}
    make.backup(farm, read_all=True)
    assert results(farm, SHARES)[archived.AS_STORED] == 0


@pytest.mark.parametrize("command", ["status", "inspect", "backup"])
def test_every_command_that_looks_exits_with_1_and_names_the_file(
    farm: FarmFolder,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    command: str,
) -> None:
    victim = min(farm.archive.glob("2*/*"))
    victim.unlink()
    code, out, _ = call(capsys, monkeypatch, command, farm.root)
    assert code == 1
    assert victim.name in out


@pytest.mark.parametrize("harm", ["list", "object"])
def test_a_copy_of_a_farm_folder_reads_its_own_backups(
    farm: FarmFolder, tmp_path: Path, harm: str
) -> None:
    made = make.backup(farm, to=farm.backups).whole
    copy = FarmFolder(tmp_path / "copy")
    shutil.copytree(farm.root, copy.root, symlinks=True)
    store = Store(copy.backups)
    path = copy.backups / f"{made.name}.json"
    (path if harm == "list" else store.path_of(made.files[0].sha256)).unlink()
    assert results(copy, SHARES)[archived.AS_STORED] == 1
    assert results(farm, SHARES)[archived.AS_STORED] == 0
    assert last_good.was_used(copy, copy.backups)
    assert not last_good.was_used(copy, farm.backups)
