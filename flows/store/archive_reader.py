"""Read the archive: bytes are compared with their SHA-256 before anybody gets them.

Damaged or missing files are fetched again from a backup that has them, if one is named.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable, Iterable, Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from flows.base.files import sync_folder
from flows.store import archive_bytes, receipts
from flows.store.backup_objects import BackupObjects, Damaged
from flows.store.receipts import ACCEPTED, FOLDER, SEAL, Chain, Head, Known, Receipt

DAMAGED = "damaged in the archive"  # the cause of a delivery whose bytes are not what was archived
Backups = Callable[[], Iterable[BackupObjects]]


@dataclass(frozen=True, slots=True)
class ArchiveFile:
    """A file that the receipts say must be there; ``what`` names it for people.

    ``size`` (bytes) and ``sha256`` are null if they are not known before it is read.
    """

    path: Path
    size: int | None
    sha256: str | None
    what: str
    receipt: Receipt | None = None


@dataclass(slots=True)
class ArchiveReader:
    """The archive of one farm folder, to read from.

    ``known`` is what the warehouse knows of it, ``backups`` where to fetch damaged files from;
    ``repaired`` names those that were fetched, ``chain`` has what the receipts files say.
    """

    root: Path
    base: Path | None = None
    known: Known = field(default_factory=Known)
    backups: Backups = tuple
    receipts: list[Receipt] = field(default_factory=list)
    chain: Chain = field(default_factory=Chain)
    repaired: list[str] = field(default_factory=list)
    by_sequence: dict[int, Receipt] = field(default_factory=dict)
    sound: set[Path] = field(default_factory=set)
    _broken: dict[Path, Damaged] = field(default_factory=dict)

    def add(self, receipt: Receipt) -> None:
        """Take in a receipt that is stored."""
        self.receipts.append(receipt)
        self.by_sequence[receipt.sequence] = receipt

    @property
    def head(self) -> Head:
        """Return the last receipt that there was, also if its line is lost since."""
        return max(self.chain.head, self.known.head, key=lambda head: head.sequence)

    def last_sequence(self) -> int:
        """Return the highest sequence that any receipt ever had: none is given twice."""
        return max([self.head.sequence, *self.by_sequence, *self.known.sequences])

    def has_delivery(self, identity: str) -> bool:
        """Return whether the warehouse has a delivery of that name whose receipt is lost."""
        return identity in self.known.deliveries

    def problem_of_piece(self, receipt: Receipt) -> Damaged | None:
        """Return what is wrong with a receipt's own bytes; None if they are what was archived."""
        try:
            self._require_sound(receipt)
        except Damaged as damaged:
            return damaged
        return None

    def origin(self, receipt: Receipt) -> Receipt:
        """Return the delivery under which the same bytes are stored: mostly itself."""
        if receipt.repeats is None:
            return receipt
        return self._numbered(receipt.repeats)

    def _numbered(self, sequence: int) -> Receipt:
        if sequence not in self.by_sequence:
            raise Damaged(f"the archive's receipt {sequence} is missing", "no receipt", "a receipt")
        return self.by_sequence[sequence]

    def file_of(self, receipt: Receipt) -> Path:
        """Return the file of a receipt's own bytes (all of them, or the piece after ``offset``)."""
        own = self.origin(receipt)
        name = own.sha256 if own.continues is None else f"{own.sha256}.{own.offset}"
        path = self.root / own.month / name
        if self.base is not None and not path.exists() and own.sequence in self.by_sequence:
            return self.base / own.month / name
        return path

    def _pieces(self, receipt: Receipt) -> list[Receipt]:
        """Return a delivery's pieces, the last first; raises Damaged if a receipt is missing."""
        found = [self.origin(receipt)]
        while (before := found[-1].continues) is not None:
            found.append(self._numbered(before))
        return found

    def blocks(self, receipt: Receipt, start: int = 0, stop: int | None = None) -> Iterator[bytes]:
        """Yield the delivery's bytes from ``start`` to ``stop``, put together from its pieces.

        Raises Damaged before the first byte of a piece that is not what was archived.
        """
        end = receipt.size if stop is None else min(stop, receipt.size)
        parts: list[tuple[Receipt, int, int]] = []
        for piece in self._pieces(receipt):
            first = max(start, piece.offset)
            if end > first:
                parts.append((piece, first - piece.offset, end - first))
            end = min(end, piece.offset)
        for piece, begin, length in reversed(parts):
            self._require_sound(piece)
            yield from archive_bytes.blocks(self.file_of(piece), begin, length)

    def problem(self, receipt: Receipt) -> Damaged | None:
        """Return what is wrong with a delivery's bytes; None if they are what was archived."""
        try:
            for piece in reversed(self._pieces(receipt)):
                self._require_sound(piece)
        except Damaged as damaged:
            return damaged
        return None

    def files(self) -> Iterator[ArchiveFile]:
        """Yield every file that must be there by the receipts: receipts first, then objects.

        What somebody accepted as lost (see ``accept_losses``) is not among them.
        """
        folder = self.root / FOLDER
        names = {*self.chain.file_of.values(), *self.chain.damaged}
        names |= {name for name in (SEAL, ACCEPTED) if (folder / name).exists()}
        for name in sorted(names):
            yield ArchiveFile(folder / name, None, None, f"receipts file {name}")
        for first, last in receipts.runs(self.chain.missing):
            if (name := f"{first:012d}.jsonl") not in names:
                what = f"receipts {first} to {last}" if first < last else f"receipt {first}"
                yield ArchiveFile(folder / name, None, None, what)
        accepted = set(self._accepted().get("objects", []))
        seen: set[Path] = set()
        for receipt in self.receipts:
            if receipt.repeats is not None:
                continue
            path = self.file_of(receipt)
            if path not in seen and _path_in_farm(path) not in accepted:
                seen.add(path)
                size = receipt.size - receipt.offset
                yield ArchiveFile(path, size, self._expected(receipt), receipt.title, receipt)

    def check(self, file: ArchiveFile) -> str | None:
        """Read one of ``files``; return a sentence if it is missing or damaged, None if sound."""
        if file.receipt is None:
            name = file.path.name
            if name in self.chain.damaged or not file.path.exists():
                return f"{file.what} in {file.path.parent} is missing or damaged"
            return None
        damaged = self.problem_of_piece(file.receipt)
        return str(damaged) if damaged else None

    def _expected(self, piece: Receipt) -> str | None:
        """Return the SHA-256 of a receipt's own bytes; None if only that of the whole is known."""
        if piece.continues is None:
            return piece.sha256
        seal = self.chain.seal.receipts if self.chain.seal else {}
        return piece.piece_sha256 or seal.get(piece.sequence, (None, None))[1]

    def _require_sound(self, piece: Receipt) -> None:
        """Compare a receipt's own bytes with their hash, once in a process; raises Damaged."""
        path = self.file_of(piece)
        if path in self.sound:
            return
        if path in self._broken:
            raise self._broken[path]
        damaged = self._fault(piece, path)
        if damaged is not None and self._mend(piece, path):
            damaged = self._fault(piece, path)
        if damaged is not None:
            self._broken[path] = damaged
            raise damaged
        self.sound.add(path)

    def _fault(self, piece: Receipt, path: Path) -> Damaged | None:
        expected = self._expected(piece)
        try:
            if expected is not None:
                found = archive_bytes.sha256_of(path)
            else:  # a piece of an older program: the whole delivery is compared
                expected, found = piece.sha256, self._whole_sha256(piece)
        except FileNotFoundError:
            found = "no file"
        except OSError as error:
            found = f"a file that cannot be read ({error.strerror})"
        if found == expected:
            return None
        place = f"archive/{path.parent.name}/{path.name}"
        return Damaged(
            f"{piece.title} is damaged in the archive ({place}: found {found})",
            found if " " in found else f"SHA-256 {found}",
            f"SHA-256 {expected}",
        )

    def _whole_sha256(self, receipt: Receipt) -> str:
        pieces = self._pieces(receipt)[::-1]
        ends = [piece.offset for piece in pieces[1:]] + [receipt.size]
        return archive_bytes.sha256_of_blocks(
            block
            for piece, end in zip(pieces, ends, strict=True)
            for block in archive_bytes.blocks(self.file_of(piece), 0, end - piece.offset)
        )

    def _mend(self, piece: Receipt, path: Path) -> bool:
        """Fetch damaged bytes from a backup; return whether one had bytes to try."""
        expected = self._expected(piece)
        for objects in self.backups():
            hashes = [expected] if expected else objects.hashes_of(_path_in_farm(path))
            for sha256 in hashes:
                with suppress(OSError):
                    given = archive_bytes.blocks(objects.path_of(sha256))
                    if archive_bytes.copy(path, given, 0, sha256):
                        sync_folder(path.parent)
                        self.repaired.append(f"{piece.title}, from {objects.root}")
                        return True
        return False

    def read_receipts(self, *, search_backups: bool = False) -> None:
        """Read all receipts; fetch files of them from a backup if some are damaged or missing.

        With ``search_backups`` also those that nothing here knows of (a lost end of the chain).
        """
        contents = {path.name: _content(path) for path in (self.root / FOLDER).glob("*.json*")}
        self.chain = receipts.read(contents, self.known)
        if self.chain.problems or search_backups:
            self._mend_receipts(contents)
        for receipt in self.chain.receipts:
            self.add(receipt)

    def _mend_receipts(self, contents: dict[str, bytes]) -> None:
        """Fetch receipts files from a backup wherever that gives more receipts or fewer problems."""
        for objects in self.backups():
            for entry in objects.entries():
                name = Path(entry.path).name
                if entry.path != _path_in_farm(self.root / FOLDER / name) or name == ACCEPTED:
                    continue
                there = contents.get(name)
                if there is not None and receipts.digest(there) == entry.sha256:
                    continue
                with suppress(OSError, Damaged):
                    content = objects.content(entry)
                    better = receipts.read(contents | {name: content}, self.known)
                    if better.worth > self.chain.worth:
                        archive_bytes.write(self.root / FOLDER / name, content)
                        contents[name], self.chain = content, better
                        self.repaired.append(f"archive/{FOLDER}/{name}, from {objects.root}")

    def _accepted(self) -> dict[str, list[Any]]:
        return receipts.accepted_losses(_content(self.root / FOLDER / ACCEPTED))

    def accepted_sequences(self) -> set[int]:
        """Return the deliveries that somebody accepted as lost."""
        known = self._accepted()
        lost = set(known.get("objects", []))
        found = set(known.get("receipts", []))
        for receipt in self.receipts if lost or found else ():
            with suppress(Damaged):
                pieces = self._pieces(receipt)
                if lost & {_path_in_farm(self.file_of(piece)) for piece in pieces}:
                    found.add(receipt.sequence)
        return found

    def accept_losses(self, objects: Iterable[Path]) -> None:
        """Report what the receipts folder and these objects lack no more, since somebody said so."""
        known = self._accepted()
        lost: dict[str, list[Any]] = {
            "receipts": self.chain.missing,
            "files": self.chain.damaged,
            "objects": [_path_in_farm(path) for path in objects],
        }
        merged = {kind: sorted({*known.get(kind, []), *new}) for kind, new in lost.items()}
        archive_bytes.write(self.root / FOLDER / ACCEPTED, json.dumps(merged).encode())
        self.chain.missing, self.chain.damaged = [], []

    def copy_out(self, receipt: Receipt, target: Path) -> None:
        """Write a delivery's bytes to a file again; raises Damaged."""
        with target.open("wb") as out:
            for block in self.blocks(receipt):
                out.write(block)

    def size_bytes(self) -> int:
        """Return the number of bytes stored."""
        return sum(f.stat().st_size for f in self.root.glob("*/*") if f.is_file())

    def free_bytes(self) -> int:
        """Return the free bytes of the disk that holds it."""
        return shutil.disk_usage(self.root).free


def _content(path: Path) -> bytes:
    """Return a small file's bytes; empty if it is not there or cannot be read."""
    try:
        return path.read_bytes()
    except OSError:
        return b""


def _path_in_farm(path: Path) -> str:
    """Return how a backup lists a file of the archive."""
    return f"archive/{path.parent.name}/{path.name}"
