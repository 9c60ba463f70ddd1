"""Set-up may be wrong at first: deliveries that a changed set-up concerns are read again.

What the warehouse holds of the instruments concerned is taken out, in one transaction with the
receipts of every delivery that speaks of them; those deliveries then count as not yet landed, and
the ordinary landing reads them again in the order of receipt. So the result is that of a rebuild,
and a crash in between only leaves work that the next collect does.
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
from flows.intake import sources
from flows.intake.door.places import Places
from flows.store import migrate, warehouse
from flows.store.archive import Archive, Receipt
from schemas import generated
from schemas.catalogue import TABLES
from schemas.farm.farm import Farm
from transforms.methods.calendar_day import day_of

UNKNOWN_FAULT = "could not be read"  # the cause of a refusal that a later program may not repeat
Instrument = tuple[str, str]  # kind and name


@dataclass(slots=True)
class Concerned:
    """The deliveries that are read again, and the instruments whose readings are made again."""

    sequences: set[int] = field(default_factory=set)
    instruments: set[Instrument] = field(default_factory=set)


def forget_outdated(con: duckdb.DuckDBPyConnection, archive: Archive, farm: Farm) -> Concerned:
    """Take out what was read by another set-up than today's; returns what was concerned.

    Costs nothing while farm.toml and the program stay as they were.
    """
    now = _setup(farm)
    if migrate.fact(con, "landed_by") == now:
        return Concerned()
    concerned = find(con, archive, farm)
    with warehouse.transaction(con):
        if concerned.sequences:
            _forget(con, concerned)
        migrate.set_fact(con, "landed_by", now)
        migrate.set_fact(con, "landed_version", VERSION)
    return concerned


def _setup(farm: Farm) -> str:
    """Fingerprint of the program and of all sources."""
    prints = [
        [s.name, s.kind, s.path, farm_file.setup_fingerprint(farm, s.name)] for s in farm.sources
    ]
    return hashlib.sha256(json.dumps([VERSION, prints]).encode()).hexdigest()[:16]


def find(con: duckdb.DuckDBPyConnection, archive: Archive, farm: Farm) -> Concerned:
    """Return the landed deliveries that today's set-up reads otherwise, and what hangs on them."""
    places = Places.of(farm)
    by_sequence = {r.sequence: r for r in archive.receipts if r.kind in ("file", "http")}
    program = migrate.fact(con, "landed_version")
    concerned = Concerned()
    rows = con.execute("SELECT sequence, source, setup, reason FROM delivery").fetchall()
    for sequence, source, setup, reason in rows:
        receipt = by_sequence.get(sequence)
        if receipt is None:
            continue
        match = sources.match(receipt, farm, places)
        said = (match.source.name, match.setup) if match else (receipt.source, None)
        retried = program != VERSION and str(reason or "").startswith(UNKNOWN_FAULT)
        if said != (source, setup) or retried:
            concerned.sequences.add(sequence)
            concerned.instruments |= _may_speak_of(receipt, farm, places)
    _close(con, concerned)
    return concerned


def _may_speak_of(receipt: Receipt, farm: Farm, places: Places) -> set[Instrument]:
    """Return the instruments that a delivery can bring readings of, by today's set-up."""
    match = sources.match(receipt, farm, places)
    if match is None:
        return set()
    if farm.layouts[match.source.layout].instrument_column is not None:
        stations = {("station", s.name) for s in farm.stations}
        return stations | {("probe", p.name) for p in farm.probes}
    named = (("station", match.station), ("probe", match.probe))
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


def _forget(con: duckdb.DuckDBPyConnection, concerned: Concerned) -> None:
    """Take out receipts, refusals, readings and what was superseded, and touch their days."""
    farm = warehouse.read(con, TABLES["farm"])
    sequences = pl.DataFrame({"sequence": sorted(concerned.sequences)}, {"sequence": pl.Int64})
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
