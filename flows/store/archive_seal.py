"""Seal the receipts of an older program, which have no hash of the receipt before them."""

from __future__ import annotations

import hashlib

from flows.store import archive_bytes
from flows.store.archive_reader import ArchiveReader
from flows.store.receipts import Receipt, Seal


def seal_of(archive: ArchiveReader) -> Seal:
    """Return the seal of an archive's receipts without one; reads all their bytes once."""
    old = [receipt for receipt in archive.receipts if receipt.previous is None]
    lines, pieces = archive.chain.lines, _pieces(archive, old)
    missing = dict.fromkeys(archive.chain.missing, (None, None))
    return Seal(missing | {r.sequence: (lines[r.sequence], pieces[r.sequence]) for r in old})


def _pieces(archive: ArchiveReader, old: list[Receipt]) -> dict[int, str | None]:
    """Return the hash of each receipt's own bytes; null if its whole delivery is not as received."""
    continued = {receipt.continues for receipt in old}
    whole_lines: dict[int, hashlib._Hash] = {}  # sequence -> hash up to its last line end
    found: dict[int, str | None] = {}
    for receipt in old:
        found[receipt.sequence] = None
        begun = (
            hashlib.sha256() if receipt.continues is None else whole_lines.get(receipt.continues)
        )
        if begun is None:
            continue
        whole, piece, at = begun.copy(), hashlib.sha256(), receipt.offset
        state = begun.copy()
        try:
            for block in archive_bytes.blocks(archive.file_of(receipt)):
                if receipt.whole_bytes - at > 0:
                    state = whole.copy()
                    state.update(block[: receipt.whole_bytes - at])
                whole.update(block)
                piece.update(block)
                at += len(block)
        except OSError:
            continue
        if whole.hexdigest() == receipt.sha256:
            found[receipt.sequence] = piece.hexdigest()
            archive.sound.add(archive.file_of(receipt))
            if receipt.sequence in continued:
                whole_lines[receipt.sequence] = state
    return found
