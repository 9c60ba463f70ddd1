"""The archive: what shows that a receipt or an object is lost or changed, and what repairs it."""

from collections.abc import Callable
from pathlib import Path

import pytest

from flows.store.archive import Archive, Arrival
from flows.store.backup_objects import BackupObjects, Damaged
from flows.store.receipts import Known, Receipt

Harm = Callable[[Path], object]


def arrival(path: Path) -> Arrival:
    return Arrival(path, "file", "drop", path.name, "hourly", "hourly")


def take(archive: Archive, path: Path, text: str) -> list[Receipt]:
    """Take a file with this text."""
    path.write_text(text)
    return archive.take([arrival(path)])


def content(archive: Archive, receipt: Receipt) -> str:
    return b"".join(archive.blocks(receipt)).decode()


def emptied(path: Path) -> None:
    path.write_bytes(b"")


def cut(path: Path) -> None:
    path.write_bytes(path.read_bytes()[:-40])


def changed(path: Path) -> None:
    path.write_bytes(path.read_bytes().replace(b'"kind": "file"', b'"kind": "http"'))


HARMS: tuple[Harm, ...] = (Path.unlink, emptied, cut, changed)


@pytest.fixture
def grown(tmp_path: Path) -> Archive:
    """Three receipts, each in a file of its own: a file, its longer version, another file."""
    archive = Archive.open(tmp_path / "archive")
    take(archive, tmp_path / "a.csv", "t,T\n1,1\n")
    take(archive, tmp_path / "a.csv", "t,T\n1,1\n2,2\n")
    take(archive, tmp_path / "b.csv", "t,T\n3,3\n")
    return archive


def known(archive: Archive) -> Known:
    return Known(archive.head, frozenset(r.sequence for r in archive.receipts))


class TestReceipts:
    def test_a_whole_chain_has_no_problem(self, grown: Archive) -> None:
        again = Archive.open(grown.root, known(grown))
        assert (again.receipts, again.head) == (grown.receipts, grown.head)
        assert again.chain.sentences() == []
        assert [again.check(file) for file in again.files()] == [None] * 6

    @pytest.mark.parametrize("harm", HARMS)
    @pytest.mark.parametrize("number", [1, 2, 3])
    def test_a_lost_emptied_cut_or_changed_file_is_named_and_its_number_not_given_again(
        self, grown: Archive, tmp_path: Path, number: int, harm: Harm
    ) -> None:
        harm(grown.root / "receipts" / f"{number:012d}.jsonl")
        archive = Archive.open(grown.root, known(grown))
        assert archive.chain.missing == [number]
        assert f"receipt {number} is missing" in archive.chain.sentences()[0]
        assert any(f"{number}" in (archive.check(file) or "") for file in archive.files())
        (new,) = take(archive, tmp_path / "c.csv", "t,T\n4,4\n")
        assert new.sequence == 4
        after = Archive.open(grown.root, known(grown))
        assert after.chain.missing == [number]

    @pytest.mark.parametrize("number", [1, 2])
    def test_without_a_warehouse_a_gap_or_a_change_shows_too(
        self, grown: Archive, number: int
    ) -> None:
        changed(grown.root / "receipts" / f"{number:012d}.jsonl")
        assert Archive.open(grown.root).chain.missing == [number]
        (grown.root / "receipts" / f"{number:012d}.jsonl").unlink()
        assert Archive.open(grown.root).chain.missing == [number]

    def test_a_file_put_back_closes_the_chain_again(self, grown: Archive, tmp_path: Path) -> None:
        path = grown.root / "receipts" / "000000000003.jsonl"
        kept = path.read_bytes()
        path.unlink()
        take(Archive.open(grown.root, known(grown)), tmp_path / "c.csv", "t,T\n4,4\n")
        path.write_bytes(kept)
        archive = Archive.open(grown.root, known(grown))
        assert archive.chain.sentences() == []
        assert [r.sequence for r in archive.receipts] == [1, 2, 3, 4]

    def test_a_file_that_was_written_to_meanwhile_leaves_no_gap(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        files = [tmp_path / "a.csv", tmp_path / "b.csv"]
        for number, file in enumerate(files):
            file.write_text(f"t,T\n{number},1\n" * 400_000)  # too large to be held in memory

        def coming() -> object:
            yield arrival(files[0])
            with files[0].open("a") as more:
                more.write("9,9\n")
            yield arrival(files[1])

        archive = Archive.open(tmp_path / "archive")
        taken = archive.take(coming())  # type: ignore[arg-type]
        assert [r.sequence for r in taken] == list(range(1, len(taken) + 1))
        assert Archive.open(archive.root, known(archive)).chain.sentences() == []


class TestSeal:
    def test_older_receipts_are_sealed_once_and_go_on(self, before: Path, tmp_path: Path) -> None:
        root = before / "farm" / "archive"
        archive = Archive.open(root)
        assert archive.chain.unsealed
        (new,) = take(archive, tmp_path / "c.csv", "t,T\n4,4\n")
        assert new.sequence == 4
        again = Archive.open(root, known(archive))
        assert not again.chain.unsealed
        assert again.chain.sentences() == []
        assert [r.sequence for r in again.receipts] == [1, 2, 3, 4]
        assert again.chain.seal is not None
        assert again.chain.seal.receipts[1][1] == again.receipts[0].sha256

    @pytest.mark.parametrize("harm", [Path.unlink, emptied, cut])
    @pytest.mark.parametrize("name", ["000000000001.jsonl", "000000000003.jsonl"])
    def test_a_lost_sealed_file_is_named_and_comes_back_from_the_backup(
        self, before: Path, name: str, harm: Harm
    ) -> None:
        root = before / "farm" / "archive"
        archive = Archive.open(root)
        archive.take([])
        whole = (root / "receipts" / name).read_bytes()
        harm(root / "receipts" / name)
        assert Archive.open(root).chain.missing
        repaired = Archive.open(root, backups=lambda: [BackupObjects(before / "share")])
        assert repaired.chain.sentences() == []
        assert name in repaired.repaired[0]
        assert (root / "receipts" / name).read_bytes() == whole

    @pytest.mark.parametrize("harm", [Path.unlink, emptied, cut])
    def test_a_lost_seal_is_noticed_and_made_again_the_same(
        self, before: Path, tmp_path: Path, harm: Harm
    ) -> None:
        root = before / "farm" / "archive"
        archive = Archive.open(root)
        take(archive, tmp_path / "c.csv", "t,T\n4,4\n")
        seal = root / "receipts" / "sealed.json"
        whole = seal.read_bytes()
        harm(seal)
        lost = Archive.open(root)
        assert "sealed.json is damaged" in lost.chain.sentences()[0]
        lost.take([])
        assert seal.read_bytes() == whole
        assert Archive.open(root).chain.sentences() == []

    def test_a_seal_that_would_come_out_otherwise_is_not_written(
        self, before: Path, tmp_path: Path
    ) -> None:
        root = before / "farm" / "archive"
        archive = Archive.open(root)
        take(archive, tmp_path / "c.csv", "t,T\n4,4\n")
        (root / "receipts" / "sealed.json").unlink()
        changed(root / "receipts" / "000000000001.jsonl")
        Archive.open(root).take([])
        assert not (root / "receipts" / "sealed.json").exists()
        assert Archive.open(root).chain.damaged == ["sealed.json"]


class TestObjects:
    def test_changed_bytes_are_never_given(self, grown: Archive) -> None:
        first, second, third = grown.receipts
        path = grown.file_of(first)
        path.write_bytes(path.read_bytes().replace(b"1,1", b"1,7"))
        archive = Archive.open(grown.root)
        for receipt in (first, second):  # the second goes on from the first
            with pytest.raises(Damaged) as damaged:
                content(archive, receipt)
            assert first.sha256 in damaged.value.expected
            assert archive.problem(receipt) is not None
        assert archive.problem_of_piece(second) is None
        assert content(archive, third) == "t,T\n3,3\n"

    def test_a_piece_is_compared_by_itself(self, grown: Archive) -> None:
        second = grown.receipts[1]
        path = grown.file_of(second)
        assert path.read_bytes() == b"2,2\n"
        path.write_bytes(b"2,9\n")
        archive = Archive.open(grown.root)
        assert archive.problem(grown.receipts[0]) is None
        assert archive.problem(second) is not None

    def test_a_missing_object_is_damaged_and_fetched_from_a_backup(self, before: Path) -> None:
        archive = Archive.open(before / "farm" / "archive")
        receipt = archive.receipts[0]
        whole = content(archive, receipt)
        archive.file_of(receipt).unlink()
        with pytest.raises(Damaged, match=r"a\.csv"):
            content(Archive.open(archive.root), receipt)
        backups = [BackupObjects(before / "share")]
        repaired = Archive.open(archive.root, backups=lambda: backups)
        assert content(repaired, receipt) == whole
        assert "a.csv" in repaired.repaired[0]
        assert archive.file_of(receipt).read_text() == whole

    def test_a_backup_that_is_damaged_too_repairs_nothing(self, before: Path) -> None:
        archive = Archive.open(before / "farm" / "archive")
        receipt = archive.receipts[0]
        archive.file_of(receipt).unlink()
        backup = BackupObjects(before / "share")
        backup.path_of(receipt.sha256).write_bytes(b"rotten")
        again = Archive.open(archive.root, backups=lambda: [backup])
        assert again.problem(receipt) is not None
        assert not archive.file_of(receipt).exists()

    def test_the_same_file_brought_again_repairs_its_object(
        self, grown: Archive, tmp_path: Path
    ) -> None:
        third = grown.receipts[2]
        grown.file_of(third).write_bytes(b"rotten")
        archive = Archive.open(grown.root)
        assert take(archive, tmp_path / "b.csv", "t,T\n3,3\n") == []
        assert content(Archive.open(grown.root), third) == "t,T\n3,3\n"

    def test_accepted_losses_are_not_reported_again(self, grown: Archive) -> None:
        first, second, _ = grown.receipts
        grown.file_of(second).unlink()
        (grown.root / "receipts" / "000000000001.jsonl").unlink()
        archive = Archive.open(grown.root, known(grown))
        lost = [file.path for file in archive.files() if file.receipt and archive.check(file)]
        archive.accept_losses(lost)
        again = Archive.open(grown.root, known(grown))
        assert again.chain.sentences() == []
        assert [again.check(file) for file in again.files()] == [None] * 4
        assert again.accepted_sequences() == {first.sequence}


class TestTheSamePath:
    A, B = "t,T\n1,1\n", "t,T\n1,2\n"

    def test_what_it_held_before_is_taken_again_and_stored_once(self, tmp_path: Path) -> None:
        archive = Archive.open(tmp_path / "archive")
        path = tmp_path / "a.csv"
        first, second, third = (take(archive, path, text)[0] for text in (self.A, self.B, self.A))
        assert take(archive, path, self.A) == []
        assert third.repeats == first.sequence
        assert archive.file_of(third) == archive.file_of(first)
        assert len({r.delivery for r in (first, second, third)}) == 3
        again = Archive.open(archive.root)
        assert content(again, again.receipts[2]) == self.A
        (fourth,) = take(archive, path, self.B)
        assert content(archive, fourth) == self.B

    def test_under_another_name_it_is_a_duplicate(self, tmp_path: Path) -> None:
        archive = Archive.open(tmp_path / "archive")
        take(archive, tmp_path / "a.csv", self.A)
        take(archive, tmp_path / "a.csv", self.B)
        assert take(archive, tmp_path / "old.csv", self.A) == []
