"""Report what the archive lacks, by name, and what to do about it."""

from __future__ import annotations

from pathlib import Path

import duckdb

from flows.base.plain_text import counted
from flows.store.archive_reader import DAMAGED, ArchiveReader

_NAMED = 5


def sentences(con: duckdb.DuckDBPyConnection, archive: ArchiveReader, root: Path) -> list[str]:
    """Return what is known to be damaged or missing; empty if nothing is, or it was accepted.

    Receipts are compared with the warehouse; deliveries are those that could not be read when
    they were needed. ``root`` is the farm folder, for the commands.
    """
    found = archive.chain.sentences()
    rows = con.execute(
        "SELECT sequence, name FROM delivery WHERE starts_with(reason, ?) ORDER BY sequence",
        [DAMAGED],
    ).fetchall()
    accepted = archive.accepted_sequences()
    files = [name for sequence, name in rows if sequence not in accepted]
    if files:
        more = f" and {len(files) - _NAMED} more" if len(files) > _NAMED else ""
        count = f"{counted(len(files), 'file')} {'is' if len(files) == 1 else 'are'}"
        found.append(f"{count} {DAMAGED}: {', '.join(files[:_NAMED])}{more}.")
    if found:
        found.append(
            "The readings that they brought before are still in the warehouse. Connect the folder "
            f"with the backups, then run: checkstrip once {root}. It repairs the archive from a "
            "backup. Without a backup, copy the files into the drop folder again. To go on without "
            f"them: checkstrip rebuild {root} --accept-loss"
        )
    return found
