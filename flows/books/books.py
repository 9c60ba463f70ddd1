"""The files that people keep: field book, yield maps and a table of normals, as deliveries.

A saved book is archived like any file, so that every version is kept; the warehouse holds what
the newest readable version says, and the faults of that version.
"""

import hashlib
import io
import json
import zipfile
from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

import duckdb
import polars as pl

from flows.base.files import read_state, write_text
from flows.base.version import VERSION
from flows.books import amended, fieldbook, landed_version, normals_table
from flows.books.as_saved import NAMES
from flows.books.fieldbook import Problem
from flows.farm import farm_file, farm_tables
from flows.farm.folder import FarmFolder
from flows.store import publish_guard, warehouse
from flows.store.archive import Archive, Arrival
from flows.store.archive_bytes import measure
from flows.store.archive_reader import DAMAGED
from flows.store.receipts import Receipt
from schemas import generated
from schemas.catalogue import TABLES
from schemas.farm.farm import Farm

# A zip's entries need a date; always the same one, so that the same files give the same bytes.
NO_DATE = (1980, 1, 1, 0, 0, 0)
KINDS = tuple(NAMES)
MEMORY = "books.json"  # of the state folder: the hash of each book as last seen


@dataclass(frozen=True, slots=True)
class _Version:
    """A book as last seen: its hash, and how often it changed before."""

    sha256: str
    version: int


def arrivals(
    folder: FarmFolder, farm: Farm, into: Path, *, remember: bool = True
) -> tuple[list[Arrival], list[str]]:
    """Field book, yield maps and normals table as they stand, as files to archive; and notes.

    Without ``remember`` nothing of the farm folder is changed.
    """
    found: list[Arrival] = []
    notes: list[str] = []
    book = fieldbook_path(folder, farm)
    if book is not None:
        content = fieldbook.contents(book)
        if book.is_dir():
            path = _zipped(into / "fieldbook.zip", content)
        else:
            path = into / book.name
            path.write_bytes(next(iter(content.values()), b""))
        found.append(Arrival(path, "fieldbook", "", path.name, None, "fieldbook"))
    if folder.yield_maps.is_dir() or folder.ground.is_dir():
        # here and below, so that a farm without maps starts without what reads them
        from flows.books import ground_maps, yield_map  # noqa: PLC0415

        # packed also when empty: where the last map was removed its points must go
        maps = yield_map.contents(folder.yield_maps) if folder.yield_maps.is_dir() else {}
        maps |= ground_maps.contents(folder.ground)
        path = _zipped(into / "yieldmaps.zip", maps)
        found.append(Arrival(path, "yieldmaps", "", path.name, None, "yieldmaps"))
    if farm.normals and farm.normals.table:
        table = folder.root / farm.normals.table
        if table.is_file():
            found.append(Arrival(table, "normals", "", table.name, None, "normals"))
        else:
            notes.append(f"There is no file {table}, which normals.table in farm.toml names.")
    return _with_versions(folder, found, remember=remember), notes


def _with_versions(folder: FarmFolder, found: list[Arrival], *, remember: bool) -> list[Arrival]:
    """Give each change of a book a target of its own, which the archive tells versions by.

    Without it a book saved back to what it was once (the same bytes) would pass as known, and the
    version in between would go on to stand. The memory is written before the archive takes the
    book; after a crash the same target is tried again.
    """
    file = folder.state / MEMORY
    memory = read_state(file, dict[str, _Version]) or {}
    now = dict(memory)
    for arrival in found:
        had = memory.get(arrival.kind, _Version("", 0))
        sha256 = measure(arrival.path).sha256
        if had.sha256 != sha256:
            now[arrival.kind] = _Version(sha256, had.version + 1)
    if remember and now != memory:
        text = json.dumps({kind: asdict(version) for kind, version in now.items()}, sort_keys=True)
        write_text(file, text)
    return [
        a if now[a.kind].version == 1 else replace(a, target=f"{a.target} {now[a.kind].version}")
        for a in found
    ]


def _zipped(path: Path, content: Mapping[str, bytes]) -> Path:
    """Several files as one, the same files always as the same bytes."""
    with zipfile.ZipFile(path, "w") as packed:
        for name, data in sorted(content.items()):
            packed.writestr(zipfile.ZipInfo(name, NO_DATE), data)
    return path


def fieldbook_path(folder: FarmFolder, farm: Farm) -> Path | None:
    """Return the field book that farm.toml names, or the folder of CSVs; None if there is none."""
    for path in (folder.root / farm.fieldbook, folder.fieldbook_dir):
        if path.exists():
            return path
    return None


def land_all(con: duckdb.DuckDBPyConnection, archive: Archive, farm: Farm) -> None:
    """Land the newest readable version of each book.

    The field book goes first, since its former names are read in the yield maps too.
    """
    for kind in KINDS:
        own = [receipt for receipt in archive.receipts if receipt.kind == kind]
        setup = _setup_fingerprint(con, farm, kind)
        _forget_outdated(con, archive, kind, setup)
        known = {row[0] for row in con.execute("SELECT sequence FROM delivery").fetchall()}
        waiting = [receipt for receipt in own if receipt.sequence not in known]
        newer = False
        for receipt in sorted(waiting, key=lambda r: -r.sequence):
            newer = _land_version(con, archive, farm, receipt, setup, newer) or newer


def _forget_outdated(
    con: duckdb.DuckDBPyConnection, archive: Archive, kind: str, setup: str
) -> None:
    """Take out the receipts of a book that was read by another crop list, money or program.

    They then count as not yet landed, and the newest version is read again; so does a book that
    was damaged in the archive and is repaired. If the version that stands cannot be read again,
    its tables stay as they are.
    """
    rows = con.execute(
        "SELECT sequence, state, coalesce(reason, ''), setup IS DISTINCT FROM ? "
        "FROM delivery WHERE source = ? ORDER BY sequence DESC",
        [setup, kind],
    ).fetchall()
    damage: dict[int, str] = {}
    for sequence, state, reason, outdated in rows:
        if outdated or reason.startswith(DAMAGED):
            damage[sequence] = _damage(archive, sequence)
        if state == "landed":
            break  # this version stands; older ones need not be read
    with warehouse.transaction(con):
        if "" in damage.values() and not any(damage.values()):
            publish_guard.explain_loss(con, "quarantine")
            for table in ("quarantine", "delivery"):
                con.execute(
                    f"DELETE FROM {table} WHERE delivery IN "
                    "(SELECT delivery FROM delivery WHERE source = ?)",
                    [kind],
                )
        for sequence, reason in damage.items():
            if reason:
                con.execute("UPDATE delivery SET reason = ? WHERE sequence = ?", [reason, sequence])


def _damage(archive: Archive, sequence: int) -> str:
    """Return why a version cannot be read again, as a delivery's reason; empty if it can."""
    receipt = archive.by_sequence.get(sequence)
    if receipt is None:
        return f"{DAMAGED}: found no receipt; expected its receipt in archive/receipts"
    damaged = archive.problem(receipt)
    return f"{DAMAGED}: found {damaged.found}; expected {damaged.expected}" if damaged else ""


def _setup_fingerprint(con: duckdb.DuckDBPyConnection, farm: Farm, kind: str) -> str:
    """Fingerprint of what decides how a book is read, beside its bytes."""
    place, money = farm.place.time_zone, farm.farm.currency
    instruments = [
        one.model_dump(mode="json", include={"name", "ids", "spells"})
        for one in (*farm.stations, *farm.probes)
    ]
    given: list[Any] = [VERSION, money, farm.farm.day_first, place, _bushels(farm), instruments]
    if kind == "yieldmaps":
        given += [_place(farm), farm.yield_map_headings]
    if kind == "yieldmaps" and (rules := amended.names(con).rules):
        given.append([[*rule, *names] for rule, names in sorted(rules.items())])
    return hashlib.sha256(json.dumps(given, sort_keys=True).encode()).hexdigest()[:16]


def _bushels(farm: Farm) -> dict[str, float | None]:
    """Return the crops that there are and the mass of a bushel of each."""
    return dict(farm_tables.tables(farm)["crop"].select("crop", "bushel_kg").iter_rows())


def _land_version(  # noqa: PLR0917
    con: duckdb.DuckDBPyConnection,
    archive: Archive,
    farm: Farm,
    receipt: Receipt,
    setup: str,
    newer: bool,
) -> bool:
    """Land one version, unless a newer one stands; whether it could be read."""
    if newer:
        landed_version.write_receipt(con, receipt, setup, "landed", "a later version stands")
        return False
    if reason := _damage(archive, receipt.sequence):
        with warehouse.transaction(con):
            landed_version.write_receipt(con, receipt, setup, "refused", reason)
        return False
    frames, problems = _read(con, archive, farm, receipt)
    # one bad map among others is its own loss; a bad file of a field book would empty its tables
    nothing = receipt.kind != "yieldmaps" or all(f.is_empty() for f in frames.values())
    unreadable = nothing and any(p.extent == "book" for p in problems)
    with warehouse.transaction(con):
        if not unreadable:
            con.execute("DELETE FROM quarantine WHERE source = ?", [receipt.kind])
            publish_guard.explain_loss(con, "quarantine")
            changes = "; ".join(filter(None, (_changes(con, n, f) for n, f in frames.items())))
            for name, frame in frames.items():
                landed_version.replace_if_changed(con, name, frame)
            landed_version.list_problems(con, receipt.kind, problems)
        landed_version.write_quarantine(con, receipt, problems)
        first = problems[0].sentence if unreadable else changes or None
        landed_version.write_receipt(
            con, receipt, setup, "refused" if unreadable else "landed", first
        )
    return not unreadable


def _read(
    con: duckdb.DuckDBPyConnection, archive: Archive, farm: Farm, receipt: Receipt
) -> tuple[dict[str, pl.DataFrame], list[Problem]]:
    data = b"".join(archive.blocks(receipt))
    if receipt.kind == "normals":
        return normals_table.read(data)
    content = {receipt.name: data}
    if receipt.name.endswith(".zip"):
        with zipfile.ZipFile(io.BytesIO(data)) as packed:  # packed by ourselves, see arrivals
            content = {name: packed.read(name) for name in packed.namelist()}
    if receipt.kind == "yieldmaps":
        from flows.books import yield_map  # noqa: PLC0415

        maps = yield_map.tables_of(
            content,
            offset_h=farm_file.standard_offset_h(farm.place),
            renames=amended.names(con),
            farm=_place(farm),
            headings=farm.yield_map_headings,
        )
        return maps.frames, maps.problems
    book = fieldbook.tables_of(
        content,
        bushel_kg=_bushels(farm),
        currency=farm.farm.currency,
        day_first=farm.farm.day_first,
        farm=farm,
    )
    return book.frames, book.problems


def _place(farm: Farm) -> tuple[float, float] | None:
    """Return the farm's longitude and latitude, where farm.toml has them."""
    place = farm.place
    if place.longitude is None or place.latitude is None:
        return None
    return place.longitude, place.latitude


def _changes(con: duckdb.DuckDBPyConnection, name: str, frame: pl.DataFrame) -> str:
    """Return what a version changes in a table, as text; empty if it says the same."""
    table = TABLES[name]
    old, new, key = warehouse.read(con, table), generated.conform(frame, table), list(table.key)
    added = new.join(old, on=key, how="anti", nulls_equal=True)
    gone = old.join(new, on=key, how="anti", nulls_equal=True)
    other = new.join(old, on=list(table.names), how="anti", nulls_equal=True)
    counts = {
        "new": added.height,
        "changed": other.height - added.height,
        "gone": gone.height,
    }
    words = ", ".join(f"{number} {word}" for word, number in counts.items() if number)
    return f"{name}: {words}" if words else ""
