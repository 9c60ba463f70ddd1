"""Archives the added files and lands them at once, or lets go of what was taken out of farm.toml."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import duckdb

from flows.base import files
from flows.base.errors import UserError
from flows.base.plain_text import counted, text_table
from flows.base.progress import Tick, silent
from flows.farm import farm_file
from flows.farm.folder import FarmFolder
from flows.intake import collect
from flows.intake.door.places import Places
from flows.intake.sources import drop
from flows.intake.sources.match import match
from flows.setup.add import written
from flows.store import answer_table, query, warehouse
from flows.store.archive import Arrival
from flows.store.receipts import Known
from schemas.farm.farm import Farm


@dataclass(frozen=True, slots=True)
class Landed:
    """What became of the added files' rows, by file, and whether any was rejected."""

    lines: list[str]
    rejected: bool


def arrivals(farm: Farm, places: Places, those: Sequence[tuple[Path, str, str]]) -> list[Arrival]:
    """Return files as arrivals, each with its folder and name; UserError if another source takes one."""
    found = []
    for file, folder, name in those:
        matched = match(Arrival(file, "file", folder, name, None, ""), farm, places)
        if matched is None:
            raise UserError(f"No source takes {folder}/{name}.")
        found.append(drop.arrival_of(file, folder, name, matched))
    return found


def land(
    folder: FarmFolder,
    was: str,
    text: str,
    those: Sequence[tuple[Path, str, str]],
    tick: Tick = silent,
) -> Landed:
    """Write farm.toml, which has the text ``was``, as ``text``; archive the files and land them.

    Raises UserError (farm file, one that somebody changed meanwhile, a file that cannot be read) and
    Busy (another writer); farm.toml is as before then.
    """
    folder.make()
    with warehouse.open_writer(folder, "adding files") as con:
        before = folder.farm_toml.read_bytes()
        written.must_still_be(folder.farm_toml, was)
        for path in {path for _, path, _ in those}:
            (folder.root / path).mkdir(parents=True, exist_ok=True)
        files.write_text(folder.farm_toml, text)
        try:
            farm = farm_file.load(folder.farm_toml)
            archive = collect.open_archive(Known.of(con), folder, farm)
            taken = arrivals(farm, Places.of(farm), those)
            archive.take(taken)
            if left := [*archive.unsettled, *archive.unread]:
                raise UserError(
                    f"{left[0].name} is being written to, or cannot be read. Try again."
                )
            collect.land_from(con, archive, farm, tick)
        except BaseException:
            files.write_bytes(folder.farm_toml, before)
            raise
        newest = {(r.folder, r.name): r.delivery for r in archive.receipts}
        ids = [newest[a.folder, a.name] for a in taken if (a.folder, a.name) in newest]
        return _landed(con, ids)


def _landed(con: duckdb.DuckDBPyConnection, ids: list[str]) -> Landed:
    rows = con.execute(
        "SELECT name, state, coalesce(rows_landed, 0), coalesce(rows_duplicate, 0), "
        "coalesce(rows_quarantined, 0), reason FROM delivery WHERE delivery IN (SELECT unnest(?)) "
        "ORDER BY sequence",
        [ids],
    ).fetchall()
    causes = con.execute(
        "SELECT name, cause, count(*), any_value('line ' || line || ': found ' || "
        "coalesce(found, 'nothing') || '; expected ' || coalesce(expected, '')) FROM quarantine "
        "WHERE delivery IN (SELECT unnest(?)) GROUP BY 1, 2 ORDER BY 3 DESC",
        [ids],
    ).fetchall()
    lines = []
    for name, state, landed, twice, lost, reason in rows:
        if state == "refused":
            lines.append(f"{name}: the file was rejected. {reason or ''}".rstrip())
        else:
            lines.append(f"{name}: {landed:,} new rows, {twice:,} duplicates, {lost:,} rejected.")
        lines += [f"  {counted(n, 'time')} {c} ({e})" for of, c, n, e in causes if of == name][:5]
    return Landed(lines, any(state == "refused" or lost for _, state, _, _, lost, _ in rows))


def first_day(folder: FarmFolder, kind: str, name: str) -> list[str]:
    """Return the first whole day of an instrument, a line a column, a column a depth; by the copy.

    Whole is a day with nearly as many readings as the fullest. In the farm's units.
    """
    table = "weather_day" if kind == "station" else "soil_day"
    farm = farm_file.load(folder.farm_toml)
    schema = "customary." if farm.farm.units == "us" else ""
    with query.open_published(folder) as con:
        days = con.execute(
            f"SELECT day FROM {table} WHERE {kind} = ? GROUP BY day "
            "QUALIFY sum(readings) >= 0.95 * max(sum(readings)) OVER () ORDER BY day LIMIT 1",
            [name],
        ).fetchall()
        if not days:
            return [f"{table} has no day of the {kind} {name}."]
        rows = con.sql(
            f"SELECT * FROM {schema}{table} WHERE {kind} = ? AND day = ?",
            params=[name, days[0][0]],
        ).pl()
    shown = [c for c in rows.columns if rows[c].null_count() < rows.height]
    shown = [c for c in shown if c not in (kind, "day", "field", "strip")]
    cells = [[column, *(answer_table.cell(v, column) for v in rows[column])] for column in shown]
    lines = text_table(cells, range(1, rows.height + 1))
    return [
        f"The first day of the {kind} {name} ({table}, {days[0][0]}):",
        *(f"  {x}" for x in lines),
    ]
