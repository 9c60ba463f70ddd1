"""The archive: every delivery's bytes as they came, and the order of receipt, before all else.

``archive/2025-06/<sha256>`` holds a delivery's bytes, ``archive/receipts/<first sequence>.jsonl``
the receipts of what was taken together (see ``receipts``). Both are written under another name,
fsynced and renamed, and never changed again. A file that its logger appends to is kept as pieces:
when the new bytes begin with those of an earlier delivery (up to its last whole line), only the
rest is stored and the receipt names what it continues, so that a file growing all year costs its
size once.
"""

from __future__ import annotations

from collections.abc import Iterable
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from threading import BoundedSemaphore

from flows.base.files import make_folder, sync_folder
from flows.store import archive_bytes
from flows.store.archive_bytes import Measure
from flows.store.archive_reader import ArchiveReader, Backups
from flows.store.archive_seal import seal_of
from flows.store.receipts import FOLDER, SEAL, Head, Known, Receipt, digest

__all__ = ["Archive", "Arrival", "Receipt"]

WRITERS = 8  # files that are written at once: a disk syncs many in the time of one


@dataclass(frozen=True, slots=True)
class Arrival:
    """A file that has settled, or the body of a response, not yet taken.

    ``whole``: it is not to be kept as a continuation of what came before under its name.
    """

    path: Path
    kind: str
    folder: str
    name: str
    source: str | None
    target: str
    whole: bool = False


@dataclass(slots=True)
class Archive(ArchiveReader):
    """The archive of one farm folder; after ``take`` it has what was left, and why.

    ``unsettled`` was written to meanwhile, ``unread`` could not be read.
    """

    unsettled: list[Arrival] = field(default_factory=list)
    unread: list[Arrival] = field(default_factory=list)

    @classmethod
    def open(
        cls,
        root: Path,
        known: Known | None = None,
        backups: Backups = tuple,
        *,
        search_backups: bool = False,
    ) -> Archive:
        """Read all receipts; what a crash left half-written (``*.part``) is removed.

        With ``backups`` damaged files are repaired (the caller is the one writer then), with
        ``search_backups`` also receipts that nothing here knows of.
        """
        archive = cls(root, None, known or Known(), backups)
        make_folder(root / FOLDER)
        for part in root.glob("*/*.part"):
            part.unlink()
        archive.read_receipts(search_backups=search_backups)
        return archive

    def beside(self, root: Path) -> Archive:
        """Return an archive that knows all of this one and stores what it takes at ``root``."""
        other = Archive(root, self.root, self.known, chain=self.chain)
        for receipt in self.receipts:
            other.add(receipt)
        return other

    def take(self, arrivals: Iterable[Arrival]) -> list[Receipt]:
        """Store arrivals and their receipts durably; bytes that are known already are skipped.

        Returns the receipts of the new ones, in order. When this returns they will survive a power
        cut; when it is interrupted, either a receipt and its bytes are there or neither is (bytes
        without a receipt are harmless and are used when the file is taken again). A file that holds
        again what it held before something else is taken again, so that its last state counts.
        """
        self.seal()
        self.unread, self.unsettled = [], []
        batch = _Batch(self)
        with _Writers(self) as writers:
            for arrival in arrivals:
                batch.consider(arrival, writers)
        taken = batch.numbered([writers.stored(receipt) for receipt in batch.receipts])
        if taken:
            lines = b"".join(receipt.line() + b"\n" for receipt in taken)
            name = f"{taken[0].sequence:012d}.jsonl"
            archive_bytes.write(self.root / FOLDER / name, lines)
            for receipt in taken:
                self.add(receipt)
                self.chain.file_of[receipt.sequence] = name
            self.chain.head = Head(taken[-1].sequence, digest(taken[-1].line()))
        return taken

    def seal(self) -> None:
        """Give the receipts of an older program their place in the chain; reads their bytes once.

        A seal that was lost is rebuilt if it comes out as the chain says that it was.
        """
        if not self.chain.unsealed or self.base is not None:
            return
        after = [r.previous for r in self.receipts if r.previous is not None]
        expected = after[0] if after else self.known.head.sha256
        if expected and self.chain.missing:
            return  # it cannot come out the same
        made = seal_of(self)
        if expected in ("", made.head.sha256):
            archive_bytes.write(self.root / FOLDER / SEAL, made.content())
            self.chain.seal, self.chain.unsealed = made, False
            self.chain.head = max(self.chain.head, made.head, key=lambda head: head.sequence)
            self.chain.damaged = [name for name in self.chain.damaged if name != SEAL]


@dataclass(slots=True)
class _Batch:
    """Arrivals that are taken together, with receipts that are numbered when all are stored."""

    archive: Archive
    receipts: list[Receipt] = field(default_factory=list)
    arrivals: list[Arrival] = field(default_factory=list)
    by_path: dict[tuple[str, str], Receipt] = field(default_factory=dict)
    by_bytes: dict[tuple[str, str], Receipt] = field(default_factory=dict)
    by_hash: dict[str, Receipt] = field(default_factory=dict)
    next: int = 0

    def __post_init__(self) -> None:
        """Know what the archive has."""
        for receipt in self.archive.receipts:
            self._note(receipt)
        self.next = self.archive.last_sequence() + 1

    def _note(self, receipt: Receipt) -> None:
        self.by_path[receipt.folder, receipt.name] = receipt
        self.by_bytes[receipt.sha256, receipt.target] = receipt
        if receipt.repeats is None:
            self.by_hash.setdefault(receipt.sha256, receipt)

    def consider(self, arrival: Arrival, writers: _Writers) -> None:
        """Have an arrival stored if it is new, steady and can be read."""
        before = self.by_path.get((arrival.folder, arrival.name))
        try:
            found = archive_bytes.measure(arrival.path, before.whole_bytes if before else None)
        except OSError:
            self.archive.unread.append(arrival)
            return
        if not found.steady:
            self.archive.unsettled.append(arrival)
            return
        known = self.by_bytes.get((found.sha256, arrival.target))
        if known and (before is None or before.sequence <= known.sequence):
            self._write(writers, known, arrival, found)  # if it is damaged in the archive
            return
        receipt = self._receipt(arrival, found, before)
        self.next += 1
        self._note(receipt)
        self.receipts.append(receipt)
        self.arrivals.append(arrival)
        self._write(writers, receipt, arrival, found)

    def _write(self, writers: _Writers, receipt: Receipt, arrival: Arrival, found: Measure) -> None:
        own = self.by_hash.get(found.sha256)
        if own is not None:
            writers.write(receipt, own, arrival.path, found.content)

    def _receipt(self, arrival: Arrival, found: Measure, before: Receipt | None) -> Receipt:
        earlier = self.by_hash.get(found.sha256)
        grows = (
            earlier is None
            and not arrival.whole
            and before is not None
            and 0 < before.whole_bytes < found.size
            and not found.wide
            and found.prefix_sha256 == before.whole_sha256
            and before.target == arrival.target
        )
        return Receipt(
            sequence=self.next,
            sha256=found.sha256,
            size=found.size,
            received_at=datetime.now(UTC),
            kind=arrival.kind,
            folder=arrival.folder,
            name=arrival.name,
            source=arrival.source,
            target=arrival.target,
            whole_bytes=found.whole_bytes,
            whole_lines=found.whole_lines,
            whole_sha256=found.whole_sha256,
            continues=before.sequence if grows and before else None,
            offset=before.whole_bytes if grows and before else 0,
            lines_before=before.whole_lines if grows and before else 0,
            piece_sha256=found.rest_sha256 if grows else found.sha256,
            repeats=earlier.sequence if earlier else None,
        )

    def numbered(self, stored: list[bool]) -> list[Receipt]:
        """Return the receipts whose bytes are stored, numbered without a gap and chained.

        One that needs the bytes of another that is not stored is not stored either.
        """
        archive, taken = self.archive, list[Receipt]()
        number: dict[int, int] = {}
        first = archive.last_sequence() + 1
        previous = archive.head.sha256
        for arrival, receipt, whole in zip(self.arrivals, self.receipts, stored, strict=True):
            needed = [n for n in (receipt.continues, receipt.repeats) if n is not None]
            if not whole or any(n >= first and n not in number for n in needed):
                archive.unsettled.append(arrival)
                continue
            own = first + len(taken)
            number[receipt.sequence] = own
            other = receipt.repeats is not None or archive.has_delivery(receipt.delivery)
            chained = replace(
                receipt,
                sequence=own,
                continues=number.get(receipt.continues or 0, receipt.continues),
                repeats=number.get(receipt.repeats or 0, receipt.repeats),
                suffix=f"-{own}" if other else "",
                previous=previous,
            )
            previous = digest(chained.line())
            taken.append(chained)
        return taken


class _Writers:
    """Writes the deliveries' own bytes, several at a time, since each waits for the disk.

    At its end all are written and their folders synced; ``stored`` gives the result of each.
    """

    def __init__(self, archive: Archive) -> None:
        self._archive = archive
        self._pool = ThreadPoolExecutor(WRITERS)
        self._room = BoundedSemaphore(2 * WRITERS)  # so that few contents wait in memory
        self._target: dict[int, Path] = {}
        self._writing: dict[Path, Future[bool]] = {}
        self._folders: set[Path] = set()

    def __enter__(self) -> _Writers:
        return self

    def write(self, receipt: Receipt, own: Receipt, path: Path, content: bytes | None) -> None:
        """Have a delivery written, from ``content`` or else from the file at ``path``.

        ``own`` is the receipt under which its bytes are stored. They are written again if they
        are there but damaged.
        """
        target = self._target[receipt.sequence] = self._archive.file_of(own)
        if target.parent not in self._folders:
            # One that a killed process stored is synced too: its name may not be on the disk yet.
            make_folder(target.parent)
            self._folders.add(target.parent)
        if target in self._writing or self._is_there(target, own):
            return
        self._room.acquire()
        blocks = archive_bytes.blocks(path) if content is None else [content]
        done = self._pool.submit(archive_bytes.copy, target, blocks, own.offset, own.sha256)
        done.add_done_callback(lambda _: self._room.release())
        self._writing[target] = done

    def _is_there(self, target: Path, own: Receipt) -> bool:
        return target.exists() and self._archive.problem_of_piece(own) is None

    def stored(self, receipt: Receipt) -> bool:
        """Return whether the file was as its receipt says; raise OSError if it was not written."""
        target = self._target[receipt.sequence]
        writing = self._writing.get(target)
        return writing is None or writing.result()

    def __exit__(self, *_: object) -> None:
        self._pool.shutdown()
        for folder in self._folders:
            sync_folder(folder)
        self._archive.sound |= {path for path, done in self._writing.items() if _is_whole(done)}


def _is_whole(done: Future[bool]) -> bool:
    return done.exception() is None and done.result()
