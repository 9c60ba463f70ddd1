"""Set-up may be wrong at first: deliveries that a changed set-up concerns are read again.

What the warehouse holds of the instruments concerned is taken out, and every delivery that speaks
of them lands again in the order of receipt, all in one transaction: the result is that of a
rebuild, and after a crash the old state stands. A delivery that cannot be read again (its bytes are
damaged, its receipt is lost) keeps its earlier rows.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass, field

import duckdb
import polars as pl

from flows.base.version import VERSION
from flows.derive import waiting_days
from flows.farm import farm_file
from flows.intake import kept_rows, land, sources
from flows.intake.contradictions import Contradictory
from flows.intake.door.places import Places
from flows.intake.kept_rows import Cause
from flows.store import facts, publish_guard, warehouse
from flows.store.archive import Archive
from flows.store.archive_reader import DAMAGED
from flows.store.receipts import Receipt
from schemas import generated
from schemas.catalogue import TABLES
from schemas.farm.farm import Farm
from schemas.quantities import Instrument as Kind
from transforms.methods.calendar_day import day_of

UNKNOWN_FAULT = "could not be read"  # the cause of a refusal that a later program may not repeat
# Landed by a version that did not count how often lines of one file contradict each other.
CONTRADICTS = """
    (values_contradicted IS NULL AND EXISTS (
        FROM superseded_reading s
        WHERE s.delivery = d.delivery AND s.later_delivery = d.delivery
    ))
"""
Instrument = tuple[str, str]  # kind and name


@dataclass(slots=True)
class Concerned:
    """The deliveries that are read again, and the instruments whose readings are rebuilt.

    ``kept``: those of them that cannot be read again, and why; their earlier rows stand.
    """

    sequences: set[int] = field(default_factory=set)
    instruments: set[Instrument] = field(default_factory=set)
    kept: dict[int, Cause] = field(default_factory=dict)

    @property
    def reread(self) -> int:
        """Return how many deliveries are read again."""
        return len(self.sequences) - len(self.kept)


def read_outdated_again(con: duckdb.DuckDBPyConnection, archive: Archive, farm: Farm) -> Concerned:
    """Read again what was read by another set-up than today's, or was damaged and is repaired.

    Costs nothing while farm.toml and the program stay as they were.
    """
    now = _setup(farm)
    changed = facts.fact(con, "landed_by") != now
    concerned = find(con, archive, farm, changed=changed)
    if not changed and not concerned.sequences:
        return concerned
    by_sequence = {r.sequence: r for r in archive.receipts}
    for sequence in concerned.sequences:
        cause = _cannot_be_read(archive, by_sequence.get(sequence))
        if cause is not None:
            concerned.kept[sequence] = cause
    known = land.Known()
    while True:
        try:
            with warehouse.transaction(con):
                if concerned.sequences:
                    _replace(con, archive, farm, concerned, known)
                facts.set_fact(con, "landed_by", now)
                facts.set_fact(con, "landed_version", VERSION)
            return concerned
        except Contradictory as muddled:
            receipts = [by_sequence[sequence] for sequence in sorted(muddled.counts)]
            known.causes |= land.causes_of(archive, farm, Places.of(farm), receipts, muddled)
        except land.CannotLand as failed:
            # One of the window does what nobody thought of: find it, keep its rows, land the others.
            if len(failed.window) > 1:
                known.alone |= {receipt.sequence for receipt in failed.window}
            else:
                found = f"{type(failed.error).__name__}: {failed.error}"[:200]
                cause = Cause(UNKNOWN_FAULT, found, "a readable file")
                concerned.kept[failed.window[0].sequence] = cause


def _cannot_be_read(archive: Archive, receipt: Receipt | None) -> Cause | None:
    if receipt is None:
        return Cause(DAMAGED, "no receipt", "its receipt in archive/receipts")
    damaged = archive.problem(receipt)
    return Cause(DAMAGED, damaged.found, damaged.expected) if damaged else None


def _setup(farm: Farm) -> str:
    """Return a fingerprint of the program and of all sources."""
    prints = [
        [s.name, s.kind, s.path, farm_file.setup_fingerprint(farm, s.name)] for s in farm.sources
    ]
    return hashlib.sha256(json.dumps([VERSION, prints]).encode()).hexdigest()[:16]


def find(
    con: duckdb.DuckDBPyConnection, archive: Archive, farm: Farm, *, changed: bool = True
) -> Concerned:
    """Return the landed deliveries that today's set-up reads otherwise, and what hangs on them.

    Also those that were damaged and are not any more; with ``changed`` false only these.
    """
    places = Places.of(farm)
    by_sequence = {r.sequence: r for r in archive.receipts if r.kind in ("file", "http")}
    program = facts.fact(con, "landed_version")
    concerned = Concerned()
    rows = con.execute(
        f"""
        SELECT sequence, source, setup, coalesce(reason, ''), {CONTRADICTS} FROM delivery d
        WHERE ? OR starts_with(reason, ?) OR {CONTRADICTS}
        """,
        [changed, DAMAGED],
    ).fetchall()
    for sequence, source, setup, reason, contradicts in rows:
        receipt = by_sequence.get(sequence)
        if receipt is None:
            continue
        match = sources.match(receipt, farm, places)
        said = (match.source.name, match.setup) if match else (receipt.source, None)
        retried = program != VERSION and reason.startswith(UNKNOWN_FAULT)
        repaired = reason.startswith(DAMAGED) and archive.problem(receipt) is None
        muddled = contradicts and archive.problem(receipt) is None
        if (changed and (said != (source, setup) or retried)) or repaired or muddled:
            concerned.sequences.add(sequence)
            concerned.instruments |= _may_speak_of(receipt, farm, places)
    _close(con, concerned)
    return concerned


def _may_speak_of(receipt: Receipt, farm: Farm, places: Places) -> set[Instrument]:
    """Return the instruments that a delivery can bring readings of, by today's set-up."""
    match = sources.match(receipt, farm, places)
    if match is None:
        return set()
    layout = farm.layouts[match.source.layout]
    if layout.names_instruments:
        stations = {("station", s.name) for s in farm.stations}
        return stations | {("probe", p.name) for p in farm.probes}
    named = [("station", match.station), ("probe", match.probe)]
    for kind in Kind:
        named += [(kind.value, places.named(kind, word or "")) for word in layout.owners(kind)]
    return {(kind, name) for kind, name in named if name is not None}


def _close(con: duckdb.DuckDBPyConnection, concerned: Concerned) -> None:
    """Add what hangs together: an instrument's deliveries, their instruments, and so on."""
    of_delivery: dict[int, set[Instrument]] = {}
    of_instrument: dict[Instrument, set[int]] = {}
    found = con.execute("SELECT sequence, kind, instrument FROM delivery_instrument").fetchall()
    for sequence, kind, name in found:
        of_delivery.setdefault(sequence, set()).add((kind, name))
        of_instrument.setdefault((kind, name), set()).add(sequence)
    deliveries, instruments = list(concerned.sequences), list(concerned.instruments)
    while deliveries or instruments:
        while deliveries:
            new = of_delivery.get(deliveries.pop(), set()) - concerned.instruments
            concerned.instruments |= new
            instruments.extend(new)
        while instruments:
            more = of_instrument.get(instruments.pop(), set()) - concerned.sequences
            concerned.sequences |= more
            deliveries.extend(more)


def _replace(
    con: duckdb.DuckDBPyConnection,
    archive: Archive,
    farm: Farm,
    concerned: Concerned,
    known: land.Known,
) -> None:
    """Take out and land again, in the caller's transaction; what is kept lands in its place."""
    kept = [kept_rows.of(con, farm, number, concerned.kept[number]) for number in concerned.kept]
    _forget(con, concerned)
    again = concerned.sequences - set(concerned.kept)
    receipts = [r for r in archive.receipts if r.sequence in again]
    for one in sorted(kept, key=lambda rows: rows.sequence):
        before = [r for r in receipts if r.sequence < one.sequence]
        land.land_within(con, archive, farm, before, known)
        one.put_back(con)
        receipts = receipts[len(before) :]
    land.land_within(con, archive, farm, receipts, known)


def _forget(con: duckdb.DuckDBPyConnection, concerned: Concerned) -> None:
    """Take out receipts, rejections, readings and what was superseded, and touch their days."""
    farm = warehouse.read(con, TABLES["farm"])
    again = sorted(concerned.sequences - set(concerned.kept))
    sequences = pl.DataFrame({"sequence": again}, {"sequence": pl.Int64})
    with warehouse.shown(con, again=sequences):
        con.execute(
            "DELETE FROM quarantine WHERE delivery IN "
            "(SELECT delivery FROM delivery SEMI JOIN again USING (sequence))"
        )
        for table in ("delivery_instrument", "delivery"):
            con.execute(f"DELETE FROM {table} WHERE sequence IN (SELECT sequence FROM again)")
    for kind, table in (("station", "weather_reading"), ("probe", "soil_reading")):
        names = sorted(name for k, name in concerned.instruments if k == kind)
        if not names:
            continue
        store = generated.store(TABLES[table])
        _touch_all(con, kind, store, names, farm)
        con.execute(f"DELETE FROM {store} WHERE {kind} IN (SELECT unnest(?))", [names])
        side = "depth_cm < 0" if kind == "station" else "depth_cm >= 0"
        con.execute(
            f"DELETE FROM superseded_reading WHERE {side} AND instrument IN (SELECT unnest(?))",
            [names],
        )
        con.execute(
            f"DELETE FROM flagged_reading WHERE {side} AND instrument IN (SELECT unnest(?)) "
            "AND delivery NOT IN (SELECT delivery FROM delivery)",  # of one that is kept
            [names],
        )
        publish_guard.explain_loss(con, *(f"{kind} {name}" for name in names))
    publish_guard.explain_loss(
        con, "quarantine", "delivery_instrument", "superseded_reading", "flagged_reading"
    )
    warehouse.changed(con)


def _touch_all(
    con: duckdb.DuckDBPyConnection, kind: str, table: str, names: list[str], farm: pl.DataFrame
) -> None:
    if farm.is_empty():
        return
    with warehouse.shown(con, again=pl.DataFrame({kind: names})):
        stamps = con.sql(
            f"SELECT DISTINCT {kind}, time FROM {table} SEMI JOIN again USING ({kind})"
        )
        frame: pl.DataFrame = stamps.pl()
    days = frame.select(
        pl.col(kind).alias("instrument"),
        pl.lit(kind).alias("kind"),
        day_of(pl.col("time"), farm).alias("day"),
    )
    waiting_days.touch(con, days.unique())
