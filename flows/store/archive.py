"""The archive: every delivery's bytes as they came, and the order of receipt, before all else.

``archive/2025-06/<sha256>`` holds a delivery's bytes, ``archive/receipts/<first sequence>.jsonl``
the receipts of what was taken together. Both are written under another name, fsynced and renamed,
and never changed again. A file that its logger appends to is kept as pieces: when the new bytes
begin with those of an earlier delivery (up to its last whole line), only the rest is stored and
the receipt names what it continues, so that a file growing all year costs its size once.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import asdict, dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from threading import BoundedSemaphore

from flows.base.files import make_folder, sync_folder
from flows.store import archive_bytes

WRITERS = 8  # files that are written at once: a disk syncs many in the time of one


@dataclass(frozen=True, slots=True)
class Receipt:
    """What is known of a delivery when it comes in, before it is read.

    ``whole_bytes``/``whole_lines``/``whole_sha256`` describe it up to its last line end: what a
    later, longer version of the same file must begin with to count as its continuation.
    ``continues`` is the sequence of the delivery that it continues, ``offset`` the byte and
    ``lines_before`` the number of lines from which its own rows start.
    """

    sequence: int
    sha256: str
    size: int
    received_at: datetime
    kind: str
    folder: str
    name: str
    source: str | None
    target: str
    whole_bytes: int
    whole_lines: int
    whole_sha256: str
    continues: int | None = None
    offset: int = 0
    lines_before: int = 0
    suffix: str = ""

    @property
    def delivery(self) -> str:
        """Return the identity that the warehouse uses."""
        return self.sha256[:16] + self.suffix

    @property
    def month(self) -> str:
        """Return the folder of the archive that holds its bytes."""
        return self.received_at.strftime("%Y-%m")


@dataclass(frozen=True, slots=True)
class Arrival:
    """A file that has settled, or the body of a response, not yet taken."""

    path: Path
    kind: str
    folder: str
    name: str
    source: str | None
    target: str


@dataclass(slots=True)
class Archive:
    """The archive of one farm folder."""

    root: Path
    base: Path | None = None
    receipts: list[Receipt] = field(default_factory=list)
    unsettled: list[Arrival] = field(default_factory=list)
    unread: list[Arrival] = field(default_factory=list)
    _known: dict[tuple[str, str], Receipt] = field(default_factory=dict)
    _latest: dict[tuple[str, str], Receipt] = field(default_factory=dict)
    _by_sequence: dict[int, Receipt] = field(default_factory=dict)

    @classmethod
    def open(cls, root: Path) -> Archive:
        """Read all receipts; what a crash left half-written (``*.part``) is removed."""
        archive = cls(root)
        folder = root / "receipts"
        make_folder(folder)
        for part in root.glob("*/*.part"):
            part.unlink()
        for file in sorted(folder.glob("*.jsonl")):
            for line in file.read_text(encoding="utf-8").splitlines():
                content = json.loads(line)
                content["received_at"] = datetime.fromisoformat(content["received_at"])
                archive._add(Receipt(**content))
        return archive

    def beside(self, root: Path) -> Archive:
        """Return an archive that knows all of this one and stores what it takes at ``root``."""
        other = Archive(root, base=self.root)
        for receipt in self.receipts:
            other._add(receipt)
        return other

    def _add(self, receipt: Receipt) -> None:
        self.receipts.append(receipt)
        self._known[receipt.sha256, receipt.target] = receipt
        self._latest[receipt.folder, receipt.name] = receipt
        self._by_sequence[receipt.sequence] = receipt

    def take(self, arrivals: Iterable[Arrival]) -> list[Receipt]:
        """Store arrivals and their receipts durably; bytes that are known already are passed over.

        Returns the receipts of the new ones, in order. When this returns they will survive a
        power cut; when it is interrupted, either a receipt and its bytes are there or neither is
        (bytes without a receipt are harmless and are used when the file is taken again). A file
        that is written to meanwhile is not taken; it stands in ``unsettled``, and one that cannot
        be read in ``unread``.
        """
        self.unread, self.unsettled = [], []
        taken: list[Receipt] = []
        coming: list[Arrival] = []
        pending: dict[tuple[str, str], Receipt] = {}
        latest = dict(self._latest)
        hashes = {sha for sha, _ in self._known}
        sequence = max(self._by_sequence, default=0)
        with _Writers(self) as writers:
            for arrival in arrivals:
                before = latest.get((arrival.folder, arrival.name))
                try:
                    found = archive_bytes.measure(
                        arrival.path, before.whole_bytes if before else None
                    )
                except OSError:
                    self.unread.append(arrival)
                    continue
                if not found.steady:
                    self.unsettled.append(arrival)
                    continue
                key = (found.sha256, arrival.target)
                if key in self._known or key in pending:
                    continue
                sequence += 1
                receipt = self._receipt(arrival, found, before, sequence)
                if found.sha256 in hashes:  # the same bytes for another target: another delivery
                    receipt = replace(receipt, suffix=f"-{sequence}")
                hashes.add(found.sha256)
                pending[key] = latest[arrival.folder, arrival.name] = receipt
                taken.append(receipt)
                coming.append(arrival)
                writers.write(receipt, arrival.path, found.content)
        changed = [not writers.stored(receipt) for receipt in taken]
        self.unsettled += [arrival for arrival, c in zip(coming, changed, strict=True) if c]
        taken = [receipt for receipt, c in zip(taken, changed, strict=True) if not c]
        if taken:
            text = "".join(
                json.dumps(asdict(r) | {"received_at": r.received_at.isoformat()}, sort_keys=True)
                + "\n"
                for r in taken
            )
            archive_bytes.write(
                self.root / "receipts" / f"{taken[0].sequence:012d}.jsonl", text.encode()
            )
            for receipt in taken:
                self._add(receipt)
        return taken

    def _receipt(
        self, arrival: Arrival, found: archive_bytes.Measure, before: Receipt | None, sequence: int
    ) -> Receipt:
        grows = (
            before is not None
            and 0 < before.whole_bytes < found.size
            and not found.wide
            and found.prefix_sha256 == before.whole_sha256
            and before.target == arrival.target
        )
        return Receipt(
            sequence=sequence,
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
        )

    def file_of(self, receipt: Receipt) -> Path:
        """Return the file of a receipt's own bytes (all of them, or the piece after ``offset``)."""
        name = receipt.sha256 if receipt.continues is None else f"{receipt.sha256}.{receipt.offset}"
        path = self.root / receipt.month / name
        if self.base is not None and not path.exists() and receipt.sequence in self._by_sequence:
            return self.base / receipt.month / name
        return path

    def blocks(self, receipt: Receipt, start: int = 0, stop: int | None = None) -> Iterator[bytes]:
        """Yield the delivery's bytes from ``start`` to ``stop``, put together from its pieces."""
        end = receipt.size if stop is None else min(stop, receipt.size)
        pieces: list[tuple[Receipt, int, int]] = []
        at: Receipt | None = receipt
        while at is not None and end > start:
            first = max(start, at.offset)
            if end > first:
                pieces.append((at, first - at.offset, end - first))
            end = min(end, at.offset)
            at = None if at.continues is None else self._by_sequence[at.continues]
        for piece, begin, length in reversed(pieces):
            yield from archive_bytes.blocks(self.file_of(piece), begin, length)

    def copy_out(self, receipt: Receipt, target: Path) -> None:
        """Write a delivery's bytes to a file again."""
        with target.open("wb") as out:
            for block in self.blocks(receipt):
                out.write(block)

    def size_bytes(self) -> int:
        """Return the number of bytes stored."""
        return sum(f.stat().st_size for f in self.root.glob("*/*") if f.is_file())

    def free_bytes(self) -> int:
        """Return the free bytes of the disk that holds it."""
        return shutil.disk_usage(self.root).free


class _Writers:
    """Writes the deliveries' own bytes, several at a time, since each waits for the disk.

    At its end all are written and their folders synced; ``stored`` gives the result of each.
    """

    def __init__(self, archive: Archive) -> None:
        self._archive = archive
        self._pool = ThreadPoolExecutor(WRITERS)
        self._room = BoundedSemaphore(2 * WRITERS)  # so that few contents wait in memory
        self._writing: dict[Path, Future[bool]] = {}
        self._folders: set[Path] = set()

    def __enter__(self) -> _Writers:
        return self

    def write(self, receipt: Receipt, path: Path, content: bytes | None) -> None:
        """Have a delivery written, from ``content`` or else from the file at ``path``."""
        target = self._archive.file_of(receipt)
        if target.parent not in self._folders:
            # One that a killed process stored is synced too: its name may not be on the disk yet.
            make_folder(target.parent)
            self._folders.add(target.parent)
        if target in self._writing or target.exists():
            return
        self._room.acquire()
        blocks = archive_bytes.blocks(path) if content is None else [content]
        done = self._pool.submit(archive_bytes.copy, target, blocks, receipt.offset, receipt.sha256)
        done.add_done_callback(lambda _: self._room.release())
        self._writing[target] = done

    def stored(self, receipt: Receipt) -> bool:
        """Return whether the file was as its receipt says; raise OSError if it was not written."""
        writing = self._writing.get(self._archive.file_of(receipt))
        return writing is None or writing.result()

    def __exit__(self, *_: object) -> None:
        self._pool.shutdown()
        for folder in self._folders:
            sync_folder(folder)
