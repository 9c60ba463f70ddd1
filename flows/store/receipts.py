"""The receipts: one line a delivery, each with the hash of the line before, so that a loss shows.

``archive/receipts/<first sequence>.jsonl`` has the receipts of what was taken together. A line's
``previous`` is the SHA-256 of the line before it, across files. Receipts of older programs lack
it: ``sealed.json`` has the hash of each of their lines, and is one line of the chain.
What the warehouse knows (``Known``) shows a lost end of the chain.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, fields
from datetime import datetime
from itertools import pairwise
from typing import Any

import duckdb

from flows.store import facts

FOLDER = "receipts"
SEAL = "sealed.json"
ACCEPTED = "accepted_losses.json"
HEAD_FACT = "receipts_head"  # of the warehouse: the last receipt it has seen, and its hash


@dataclass(frozen=True, slots=True)
class Receipt:
    """What is known of a delivery when it comes in, before it is read.

    ``whole_bytes``/``whole_lines``/``whole_sha256`` describe it up to its last line end: what a
    later, longer version of the same file must begin with to count as its continuation.
    ``continues`` is the sequence of the delivery that it continues, ``offset`` the byte and
    ``lines_before`` the number of lines from which its own rows start, ``piece_sha256`` the hash
    of its bytes from there. ``repeats`` is the earlier delivery of the same bytes, which are not
    stored again. ``previous`` is the hash of the receipt before.
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
    piece_sha256: str | None = None
    repeats: int | None = None
    previous: str | None = None

    @property
    def delivery(self) -> str:
        """Return the identity that the warehouse uses."""
        return self.sha256[:16] + self.suffix

    @property
    def month(self) -> str:
        """Return the folder of the archive that holds its bytes."""
        return self.received_at.strftime("%Y-%m")

    @property
    def title(self) -> str:
        """Return its file's name and when it came, for messages."""
        path = f"{self.folder}/{self.name}" if self.folder else self.name
        return f"{path} (received {self.received_at:%Y-%m-%d %H:%M} UTC)"

    def line(self) -> bytes:
        """Return it as a line of a receipts file."""
        content = {name: getattr(self, name) for name in _NAMES}  # asdict copies each in depth
        content["received_at"] = self.received_at.isoformat()
        return json.dumps(content, sort_keys=True).encode()


_NAMES = {one.name for one in fields(Receipt)}


def _receipt(line: bytes) -> Receipt | None:
    """Return a line's receipt; None if it is none. What a later program added is skipped."""
    try:
        content = {name: value for name, value in json.loads(line).items() if name in _NAMES}
        content["received_at"] = datetime.fromisoformat(content["received_at"])
        receipt = Receipt(**content)
    except (ValueError, TypeError, KeyError, AttributeError):
        return None
    numbers = (receipt.sequence, receipt.size, receipt.offset)
    return receipt if all(isinstance(number, int) for number in numbers) else None


def digest(content: bytes) -> str:
    """Return the SHA-256 of bytes."""
    return hashlib.sha256(content).hexdigest()


@dataclass(frozen=True, slots=True)
class Head:
    """The last receipt: its sequence, and the hash of its line (or of the seal that has it)."""

    sequence: int = 0
    sha256: str = ""


@dataclass(frozen=True, slots=True)
class Known:
    """What the warehouse knows of the archive: the head of the chain, and the deliveries it has."""

    head: Head = Head()
    sequences: frozenset[int] = frozenset()
    deliveries: frozenset[str] = frozenset()

    @classmethod
    def of(cls, con: duckdb.DuckDBPyConnection) -> Known:
        """Return what a warehouse knows."""
        sequence, _, sha256 = (facts.fact(con, HEAD_FACT) or "0 ").partition(" ")
        rows = con.execute("SELECT sequence, delivery FROM delivery").fetchall()
        return cls(
            Head(int(sequence), sha256),
            frozenset(row[0] for row in rows),
            frozenset(row[1] for row in rows),
        )


@dataclass(frozen=True, slots=True)
class Seal:
    """The receipts of older programs: sequence → hashes of its line and of its own bytes.

    A hash is null if the line or the bytes were missing or damaged when the seal was made.
    """

    receipts: dict[int, tuple[str | None, str | None]]

    @property
    def head(self) -> Head:
        """Return its place in the chain: that of its last receipt."""
        return Head(max(self.receipts), digest(self.content()))

    def content(self) -> bytes:
        """Return it as the content of its file."""
        return json.dumps({"receipts": self.receipts}, sort_keys=True).encode()

    @classmethod
    def read(cls, content: bytes | None) -> Seal | None:
        """Return the seal that a file holds; None if it holds none."""
        try:
            found = json.loads(content or b"")["receipts"]
            seal = cls({int(n): (line, piece) for n, (line, piece) in found.items()})
        except (ValueError, TypeError, KeyError, AttributeError):
            return None
        return seal if seal.receipts and seal.content() == content else None


@dataclass(frozen=True, slots=True)
class _Line:
    file: str
    sha256: str
    receipt: Receipt | None


@dataclass(slots=True)
class Chain:
    """What the receipts files say: ``receipts`` that can be trusted, and what is ``missing``.

    ``unsealed``: receipts of an older program that no seal has yet. ``damaged``: the files with
    lines that are not those that were written. ``starts``: file → its first sequence.
    """

    receipts: list[Receipt] = field(default_factory=list)
    lines: dict[int, str] = field(default_factory=dict)
    file_of: dict[int, str] = field(default_factory=dict)
    missing: list[int] = field(default_factory=list)
    damaged: list[str] = field(default_factory=list)
    head: Head = Head()
    seal: Seal | None = None
    unsealed: bool = False

    @property
    def problems(self) -> int:
        """Return how much is wrong."""
        return len(self.missing) + len(self.damaged)

    @property
    def worth(self) -> tuple[int, int]:
        """Return a rank: fewer problems first, then more receipts."""
        return -self.problems, len(self.receipts)

    def sentences(self) -> list[str]:
        """Return what is missing, a sentence for each run of receipts and each damaged file."""
        found = [
            f"The archive's receipts {first} to {last} are missing from archive/{FOLDER}."
            if first != last
            else f"The archive's receipt {first} is missing from archive/{FOLDER}."
            for first, last in runs(self.missing)
        ]
        return found + [f"archive/{FOLDER}/{name} is damaged or missing." for name in self.damaged]


def runs(numbers: Iterable[int]) -> list[tuple[int, int]]:
    """Return numbers as runs, first and last of each."""
    ordered = sorted(numbers)
    if not ordered:
        return []
    breaks = [(a, b) for a, b in pairwise(ordered) if b != a + 1]
    firsts, lasts = [ordered[0], *(b for _, b in breaks)], [*(a for a, _ in breaks), ordered[-1]]
    return list(zip(firsts, lasts, strict=True))


def read(contents: Mapping[str, bytes], known: Known) -> Chain:
    """Return what the files of the receipts folder (name to content) say.

    A line counts unless the line after it, the seal or the warehouse has another hash for it.
    """
    names = [name for name in sorted(contents) if name.endswith(".jsonl")]
    lines = [
        _Line(name, digest(line), _receipt(line))
        for name in names
        for line in contents[name].splitlines()
    ]
    found = Seal.read(contents.get(SEAL))
    seal = found if found is None or _fits(found, lines, known.head) else None
    good, bad = _trusted(lines, seal, known.head)
    chain = Chain(seal=seal, head=seal.head if seal else Head())
    for line, receipt in good:
        chain.receipts.append(receipt)
        chain.lines[receipt.sequence] = line.sha256
        chain.file_of[receipt.sequence] = line.file
    old = [r.sequence for r in chain.receipts if r.previous is None]
    chained = [r.sequence for r in chain.receipts if r.previous is not None]
    begin = chain.head.sequence if seal else max(old, default=0)
    if chained:
        chain.head = Head(chained[-1], chain.lines[chained[-1]])
    wanted = known.sequences | set(seal.receipts if seal else ())
    if chained or seal:
        wanted |= set(range(begin + 1, max(chain.head.sequence, known.head.sequence) + 1))
    chain.unsealed = seal is None and bool(old)
    damaged = {line.file for line in bad} | {name for name in names if not contents[name]}
    if seal is None and (SEAL in contents or (old and (chained or known.head.sha256))):
        damaged.add(SEAL)
    accepted = accepted_losses(contents.get(ACCEPTED))
    chain.missing = sorted(wanted - set(chain.lines) - set(accepted.get("receipts", [])))
    chain.damaged = sorted(damaged - set(accepted.get("files", [])))
    return chain


def _fits(seal: Seal, lines: list[_Line], head: Head) -> bool:
    """Return whether the chain after a seal, or the warehouse, has no other hash for it."""
    after = [one.receipt for one in lines if one.receipt and one.receipt.previous is not None]
    others = [r.previous for r in after if r.sequence == seal.head.sequence + 1]
    others += [head.sha256] if head.sequence == seal.head.sequence else []
    return all(other == seal.head.sha256 for other in others)


def _trusted(
    lines: list[_Line], seal: Seal | None, head: Head
) -> tuple[list[tuple[_Line, Receipt]], list[_Line]]:
    """Return the lines that can be trusted with their receipts, and the others."""
    good: list[tuple[_Line, Receipt]] = []
    bad: list[_Line] = []
    after: Receipt | None = None
    for line in reversed(lines):
        receipt = line.receipt
        if receipt is not None:
            expected = _expected(receipt, after, seal, head)
            if expected in (None, line.sha256):
                good.append((line, receipt))
                after = receipt
                continue
        bad.append(line)
        after = None
    return good[::-1], bad


def _expected(receipt: Receipt, after: Receipt | None, seal: Seal | None, head: Head) -> str | None:
    """Return the hash that a receipt's line must have; None if nothing says so."""
    if receipt.previous is None:  # of an older program
        return seal.receipts.get(receipt.sequence, ("", None))[0] if seal else None
    if receipt.sequence == head.sequence:
        return head.sha256
    if after is not None and after.sequence == receipt.sequence + 1:
        return after.previous
    return None


def accepted_losses(content: bytes | None) -> dict[str, list[Any]]:
    """Return the losses that somebody accepted: sequences, damaged files and objects."""
    try:
        found = json.loads(content or b"{}")
    except ValueError:
        return {}
    return (
        {k: v for k, v in found.items() if isinstance(v, list)} if isinstance(found, dict) else {}
    )
