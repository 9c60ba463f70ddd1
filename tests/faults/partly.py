"""Files of which the last blocks are missing or zero when they are collected, and whole later.

The promise: once the whole file has come, every reading and all that follows is that of a farm that
only ever saw the whole file. What was refused of the half file stays in quarantine, as a record of
what arrived. A last number that was cut within its digits is accepted until its whole line comes (so
says README): then the later value stands, and the cut one is kept in superseded_reading, which is the
one table that may differ.
"""

from __future__ import annotations

import gzip
import io
import os
import shutil
import zipfile
from collections.abc import Callable
from pathlib import Path

from tests.faults import farms, forked
from tests.faults.table import Found

KINDS = ("csv", "gzip", "zip")
ROWS = 150


def whole(kind: str, end: str) -> bytes:
    """The whole file."""
    data = farms.text([farms.usual(h) for h in range(ROWS)]).replace(b"\n", end.encode())
    if kind == "gzip":
        return gzip.compress(data, 1, mtime=0)
    if kind == "zip":
        packed = io.BytesIO()
        with zipfile.ZipFile(packed, "w") as archive:
            archive.writestr(zipfile.ZipInfo("a.csv"), data)
        return packed.getvalue()
    return data


def partly(data: bytes, block: int) -> list[tuple[str, bytes]]:
    """The file cut at multiples of a block, and zero from there on, the place said."""
    found = []
    for at in range(block, len(data), block):
        found.append((f"cut at {at}", data[:at]))
        found.append((f"zero from {at}", data[:at] + bytes(len(data) - at)))
    return [*found, ("empty", b""), ("all zero", bytes(len(data)))]


def _lands(path: Path, name: str, versions: list[bytes]) -> tuple[str, int, int, str]:
    """What the warehouse says (but for what was superseded) after versions of a file came."""
    from flows.farm.folder import FarmFolder
    from flows.intake import collect
    from flows.store import checksum, warehouse

    folder = FarmFolder.at(path)
    for order, data in enumerate(versions):
        (folder.drop / name).write_bytes(data)
        os.utime(folder.drop / name, (1.62e9 + order, 1.62e9 + order))
        collect.collect(folder)
    with warehouse.open_writer(folder) as con:
        kept = con.sql("SELECT count(*) FROM quarantine").fetchall()[0][0]
        other = con.sql("SELECT count(*) FROM superseded_reading").fetchall()[0][0]
        counts = con.sql(
            "SELECT count(*) FROM delivery "
            "WHERE rows_in <> rows_landed + rows_quarantined + rows_duplicate"
        ).fetchall()[0][0]
        sums = [s for s in checksum.checksums(con) if s.counts and s.name != "superseded_reading"]
        said = str(sorted((s.name, s.rows, s.value) for s in sums))
        return said, kept, other, f"{counts} deliveries do not add up" if counts else ""


def run(n: int, root: Path, say: Callable[[str], None], only: str = "") -> Found:
    """Every place of every kind of file, or ``n`` places of each."""
    found = Found(
        "Files whose last blocks come later",
        "file | block | half files | readings and all else the same after the whole file"
        " | with rows in quarantine | with superseded values",
    )
    at, fresh = root / "farm", root / "fresh"
    forked.run(lambda: _bare(fresh))
    for kind in KINDS:
        for end in ("\n", "\r\n"):
            if (kind != "csv" and end == "\r\n") or only not in kind:
                continue
            data = whole(kind, end)
            name = f"west.{kind}"
            forked.copied(fresh, at)
            expected = forked.run(lambda data=data, name=name: _lands(at, name, [data]))
            for block in (512, 4096):
                cases = partly(data, block)
                cases = cases[:: max(1, len(cases) // n)] if n else cases
                rows = [_case(fresh, at, name, case, data, expected, found) for case in cases]
                label = f"{kind}, {'CR LF' if end != chr(10) else 'LF'}"
                counts = [sum(r[i] for r in rows) for i in range(3)]
                found.rows.append((label, block, len(rows), *counts))
                say(f"{found.rows[-1]}")
    shutil.rmtree(at)
    return found


def _bare(path: Path) -> None:
    """A farm that has landed nothing yet."""
    from flows.intake import collect

    folder = farms.make(path)
    for file in folder.drop.iterdir():
        file.unlink()
    collect.collect(folder)


def _case(  # noqa: PLR0917
    fresh: Path,
    at: Path,
    name: str,
    case: tuple[str, bytes],
    data: bytes,
    expected: object,
    found: Found,
) -> tuple[bool, bool, bool]:
    told, half = case
    forked.copied(fresh, at)
    said, kept, other, wrong = forked.run(lambda: _lands(at, name, [half, data]))  # type: ignore[misc]
    same = said == expected[0]  # type: ignore[index]
    if not same:
        found.wrong.append(f"{name} {told}: it says something else, {other} superseded")
    if wrong:
        found.wrong.append(f"{name} {told}: {wrong}")
    return same, kept > 0, other > 0
