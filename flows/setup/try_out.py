"""What a changed set-up would do: landed in a copy of the warehouse that is thrown away.

Files that wait in the drop folders and the field book are read too, into a temporary archive. Web
services (http, stac) are not asked.
"""

import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import duckdb

from flows.base import lock
from flows.base.plain_text import counted
from flows.base.progress import Tick, silent
from flows.books import as_saved, books
from flows.books.amended import amended
from flows.farm import farm_file
from flows.farm.folder import FarmFolder
from flows.intake import collect
from flows.intake.door.places import Places
from flows.intake.sources import drop, takers
from flows.setup import try_flags, try_rain
from flows.store import migrate, upgrade, warehouse
from flows.store.archive import Archive
from flows.trust import two_versions
from schemas import generated
from schemas.quantities import Instrument, columns_of

READINGS = {
    "weather_reading": ("station, time", Instrument.STATION),
    "soil_reading": ("probe, depth_cm, time", Instrument.PROBE),
}
NO_SOURCE = "(no source)"
LISTED = 5  # causes that are listed of a source
# Deliveries by source: new ones, those read again, those refused whole, rows landed and refused.
_DELIVERIES = """
    SELECT d.source,
        count(*) FILTER (d.sequence > ? OR k.sequence IS NULL),
        count(*) FILTER (k.sequence IS NOT NULL AND (k.setup IS DISTINCT FROM d.setup
            OR k.source IS DISTINCT FROM d.source)),
        count(*) FILTER (d.state = 'refused'),
        coalesce(sum(d.rows_landed), 0),
        coalesce(sum(d.rows_quarantined), 0)
    FROM delivery d LEFT JOIN known k USING (sequence)
    WHERE d.source NOT IN ('fieldbook', 'normals') OR d.source IS NULL
    GROUP BY 1
"""
_CAUSES = """
    SELECT source, cause, any_value(name || ', line ' || line || ': found '
        || coalesce(found, 'nothing') || '; expected ' || coalesce(expected, '')), count(*)
    FROM quarantine
    WHERE source NOT IN ('fieldbook', 'normals') OR source IS NULL
    GROUP BY 1, 2 ORDER BY 4 DESC
"""


@dataclass(slots=True)
class Outcome:
    """What would become of one source's deliveries, in numbers of deliveries, rows and values."""

    source: str
    new: int = 0
    reread: int = 0
    refused_whole: int = 0
    rows_landed: int = 0
    rows_quarantined: int = 0
    rows_quarantined_before: int = 0
    values_added: int = 0
    values_changed: int = 0
    values_gone: int = 0
    causes: list[str] = field(default_factory=list)
    findings: list[str] = field(default_factory=list)
    book: list[str] = field(default_factory=list)

    @property
    def sentences(self) -> list[str]:
        """In plain words."""
        if self.book:
            return [f"{self.source}: {self.book[0]}", *(f"  {line}" for line in self.book[1:])]
        read = (
            f"{counted(self.new, 'new file')}, {self.reread:,} read again, "
            f"{self.refused_whole:,} rejected"
        )
        rows = (
            f"{counted(self.rows_landed, 'row')} would land, {self.rows_quarantined:,} be rejected "
            f"(now {self.rows_quarantined_before:,})"
        )
        values = (
            f"{counted(self.values_added, 'value')} would be added, {self.values_changed:,} change, "
            f"{self.values_gone:,} go"
        )
        return [
            f"{self.source}: {read}.",
            f"  {rows}; {values}.",
            *(f"  {c}" for c in (*self.causes, *self.findings)),
        ]


def try_out(folder: FarmFolder, setup: Path | None = None, tick: Tick = silent) -> list[Outcome]:
    """What a collect would do with ``setup`` (else the folder's farm.toml), by source.

    Nothing of the farm folder is changed. Raises UserError (farm file) and Busy (another writer).
    """
    farm = farm_file.load(setup or folder.farm_toml)
    with (
        lock.hold(folder.lock_file, "trying a set-up"),
        tempfile.TemporaryDirectory(dir=folder.state) as temporary,
        _copy(folder, Path(temporary)) as con,
    ):
        archive = Archive.open(folder.archive).beside(Path(temporary) / "archive")
        before = max((r.sequence for r in archive.receipts), default=0)
        today = amended(con, farm)
        archive.take(drop.find_settled(folder, today, Places.of(today), Path(temporary)).arrivals)
        into = Path(temporary) / "books"
        into.mkdir()
        archive.take(books.arrivals(folder, farm, into, remember=False)[0])
        con.execute("CREATE TEMP TABLE known AS FROM delivery")
        for table in READINGS:
            con.execute(f"CREATE TEMP TABLE was_{table} AS FROM {table}")
        con.execute("CREATE TEMP TABLE was_quarantine AS FROM quarantine")
        collect.land_from(con, archive, farm, tick)
        return _outcomes(con, before)


def waiting(folder: FarmFolder, setup: Path | None = None) -> list[str]:
    """Say which files are not taken yet, by ``setup`` (else the folder's farm.toml), and why."""
    return takers.waiting(folder, farm_file.load(setup or folder.farm_toml))


@contextmanager
def _copy(folder: FarmFolder, temporary: Path) -> Iterator[duckdb.DuckDBPyConnection]:
    copy = temporary / "try.duckdb"
    if folder.warehouse_file.exists():
        upgrade.refuse_later(folder.warehouse_file)
        with warehouse.damage_reported(folder), warehouse.open_file(folder.warehouse_file) as con:
            con.execute("CHECKPOINT")
        shutil.copyfile(folder.warehouse_file, copy)
    con = warehouse.open_file(copy, temporary / "spill")
    try:
        with warehouse.transaction(con):
            migrate.bring_up(con)
        yield con
    finally:
        con.close()


def _outcomes(con: duckdb.DuckDBPyConnection, before: int) -> list[Outcome]:
    found: dict[str, Outcome] = {}

    def of(source: str | None) -> Outcome:
        name = source or NO_SOURCE
        return found.setdefault(name, Outcome(name))

    for source, new, reread, whole, rows, refused in con.execute(_DELIVERIES, [before]).fetchall():
        one = of(source)
        one.new, one.reread, one.refused_whole = new, reread, whole
        one.rows_landed, one.rows_quarantined = int(rows), int(refused)
    for source, refused in con.execute(
        "SELECT source, coalesce(sum(rows_quarantined), 0) FROM known GROUP BY 1"
    ).fetchall():
        if (source or NO_SOURCE) in found:
            of(source).rows_quarantined_before = int(refused)
    for table, (keys, kind) in READINGS.items():
        for source, added, changed, gone in con.execute(_values(table, keys, kind)).fetchall():
            one = of(source)
            one.values_added += int(added)
            one.values_changed += int(changed)
            one.values_gone += int(gone)
    for source, cause, example, number in con.execute(_CAUSES).fetchall():
        if len(of(source).causes) < LISTED:
            of(source).causes.append(f"{counted(number, 'time')} {cause} ({example})")
    for source, sentence in (
        *try_rain.sentences(con),
        *try_flags.sentences(con),
        *two_versions.sentences(con),
    ):
        of(source).findings.append(sentence)
    return [found[name] for name in sorted(found)] + _of_books(con, before)


def _of_books(con: duckdb.DuckDBPyConnection, before: int) -> list[Outcome]:
    """Say what would become of the books that are new, and what is wrong with each as it stands."""
    found = []
    for kind, name in as_saved.NAMES.items():
        new, unread = con.execute(
            "SELECT count(*) FILTER (sequence > ?), "
            "coalesce(any_value(reason) FILTER (sequence > ? AND state = 'refused'), '') "
            "FROM delivery WHERE source = ?",
            [before, before, kind],
        ).fetchall()[0]
        wrong = con.execute(
            "SELECT lost, sentence FROM book_problem WHERE book = ? ORDER BY lost = 'none', line",
            [kind],
        ).fetchall()
        if not new and not wrong:
            continue
        lost = sum(how != "none" for how, _ in wrong)
        entries = counted(lost, "entry")
        would = f"{entries} would be rejected" if lost else "every entry would be used"
        one = Outcome(name, refused_whole=1 if unread else 0)
        one.book = [f"it cannot be read: {unread}" if unread else f"{would}."]
        one.book += [sentence for _, sentence in wrong[:LISTED]]
        one.book += [f"and {len(wrong) - LISTED:,} more."] if len(wrong) > LISTED else []
        if kind == "fieldbook" and new and not unread:
            ((passes,),) = con.sql("SELECT count(*) FROM harvest_pass").fetchall()
            one.book += [] if passes else ["No yield would land: its sheet passes has none."]
        found.append(one)
    return found


def _values(table: str, keys: str, kind: Instrument) -> str:
    """A query: by source, how many values are new, other than before, or gone."""
    names = [generated.quoted(column.name) for column in columns_of(kind)]
    added = " + ".join(f"(w.{n} IS NULL AND n.{n} IS NOT NULL)::INT" for n in names)
    changed = " + ".join(f"coalesce(w.{n} != n.{n}, false)::INT" for n in names)
    gone = " + ".join(f"(w.{n} IS NOT NULL AND n.{n} IS NULL)::INT" for n in names)
    return f"""
        SELECT coalesce(d.source, k.source), sum({added}), sum({changed}), sum({gone})
        FROM {table} n
        FULL JOIN was_{table} w USING ({keys})
        LEFT JOIN delivery d ON d.delivery = n.delivery
        LEFT JOIN known k ON k.delivery = w.delivery
        GROUP BY 1 HAVING sum({added} + {changed} + {gone}) > 0
    """
