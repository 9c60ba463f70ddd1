"""Put what all farms share into one file a table, under one ``snapshot.json`` that names them.

Files are named by their content and never change, and the one small object that names them moves by a
conditional write: a reader sees one state, and of two that compact at once one is refused. Rows of a farm
whose pointer did not move are carried over from the last snapshot.

Readers get ``snapshot.json`` and ``snapshot/``. ``private/`` and ``objects/`` hold rows of pooled farms
too: nobody but the network's own computer may read them.
"""

from __future__ import annotations

import io
import json
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime, timedelta

import polars as pl
from pydantic import TypeAdapter

from flows.base import files
from flows.network import pooled, run_rows
from flows.network.lease import Lease
from flows.share import network_file, pointer
from flows.share.objects import Listed, Objects
from flows.share.pointer import Pointer, Refused, Stored
from schemas import generated
from schemas.catalogue import NETWORK
from schemas.network import SHARED, shared
from schemas.table import Table

KEY = "snapshot.json"
PUBLIC, PRIVATE = "snapshot", "private"
KEEP = timedelta(days=1)  # how long a reader may go on with an older snapshot
GRACE = timedelta(hours=1)  # an unnamed file may be of a writer at work
LEFT_KEPT = timedelta(days=7)
LARGEST = 64 << 20  # bytes of one farm's table; a larger one is not read
ANSWERS = NETWORK["network_pooled"]
TABLE_OF_FARMS, TABLE_OF_RUNS = NETWORK["network_farm"], run_rows.TABLE


@dataclass(frozen=True, slots=True)
class Earlier:
    """An earlier snapshot that readers may still use: when it was replaced, and its files."""

    sequence: int
    replaced_at: files.Stamp
    objects: list[str]


@dataclass(frozen=True, slots=True)
class Snapshot:
    """What ``snapshot.json`` says: the files that readers get, those that they do not, and counts."""

    network: str
    sequence: int
    made_at: files.Stamp
    tables: dict[str, Stored]
    private: dict[str, Stored]
    farms: int
    named: int
    fence: int = 0
    kept: list[Earlier] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    @property
    def objects(self) -> list[str]:
        """Return the keys of all of its files."""
        return sorted({one.object for one in (*self.tables.values(), *self.private.values())})


_SHAPE = TypeAdapter(Snapshot)


def parse(content: bytes | None) -> Snapshot | None:
    """Return the snapshot of a ``snapshot.json``; None if it is none."""
    try:
        return _SHAPE.validate_json(content or b"")
    except ValueError:
        return None


def current(objects: Objects) -> Snapshot | None:
    """Return the snapshot of this moment; None if none was made yet."""
    found = objects.get(KEY)
    return parse(found.content) if found else None


def rows_of(objects: Objects, stored: Stored | None, table: Table) -> pl.DataFrame | None:
    """Return a file's rows as declared; None if the file is gone, an empty table if there is none."""
    if stored is None:
        return generated.empty(table)
    found = objects.get(stored.object)
    return _conformed(found.content, table) if found else None


def compact(
    objects: Objects, held: Lease | None = None, runs: pl.DataFrame | None = None
) -> Snapshot:
    """Make a snapshot of what the farms share now, unless nothing has changed; return the current one.

    ``runs``: rows of ``network_run``; those that say something new of their farm are kept.
    ``held``: the lease under which this is done. A farm whose objects cannot be used is left out and
    named in ``notes``; it never stops the others. Raises Refused if another worker made a snapshot
    meanwhile, Attention if the store does not answer.
    """
    network = network_file.load(objects)
    now = datetime.now(UTC)
    found = objects.get(KEY)
    before = parse(found.content) if found else None
    gathered = _Gathered(objects, before)
    news = gathered.told(runs)
    if before is not None and gathered.nothing_new and news.is_empty():
        _sweep(objects, before, before, gathered, now)
        return before
    public, private = gathered.files(news, now)
    new = Snapshot(
        network.id,
        before.sequence + 1 if before else 1,
        now.isoformat(),
        {name: stored for name, (stored, _) in public.items()},
        {name: stored for name, (stored, _) in private.items()},
        gathered.farms.height,
        gathered.farms.filter(pl.col("share") == "named").height,
        held.fence if held else before.fence if before else 0,
        [] if gathered.withdrawn else list(_still_kept(before, now)),
        gathered.notes,
    )
    there = set(before.objects) if before else set()
    for stored, content in (*public.values(), *private.values()):
        if stored.object not in there:
            objects.put(stored.object, content)
    if held is not None:
        held.check()
    _move(objects, new, found.tag if found else None)
    _sweep(objects, new, before, gathered, now)
    return new


def _move(objects: Objects, new: Snapshot, tag: str | None) -> None:
    content = json.dumps(asdict(new), indent=1).encode()
    moved = objects.create(KEY, content) if tag is None else objects.swap(KEY, content, tag)
    if moved is None:
        raise Refused("Another worker made a snapshot meanwhile; this one was not used.")


def _still_kept(before: Snapshot | None, now: datetime) -> Iterator[Earlier]:
    if before is not None:
        yield Earlier(before.sequence, now.isoformat(), before.objects)
        for one in before.kept:
            if datetime.fromisoformat(one.replaced_at) > now - KEEP:
                yield one


class _Gathered:
    """What the pointers say now, beside what the last snapshot has."""

    def __init__(self, objects: Objects, before: Snapshot | None) -> None:
        self._objects, self._before = objects, before
        self.notes: list[str] = []
        self.left: list[Listed] = []
        self.pointers: dict[str, Pointer] = {}
        stored = before.private.get("network_farm") if before else None
        known = rows_of(objects, stored, TABLE_OF_FARMS)
        known = known if known is not None else generated.empty(TABLE_OF_FARMS)
        listed = {_farm(one.key): one for one in objects.list(pointer.POINTERS)}
        tags = pl.DataFrame(
            {"farm": list(listed), "pointer": [one.tag for one in listed.values()]},
            schema={"farm": pl.String, "pointer": pl.String},
        )
        usable = known.filter(pl.col("reason").is_null())
        self._same = usable.join(tags, on=["farm", "pointer"], how="semi")
        moved = tags.join(self._same, on="farm", how="anti")["farm"].to_list()
        keys = {listed[farm].key: farm for farm in moved}
        for where, content in objects.get_many(keys):
            farm = keys[where]
            one = pointer.parse(content, farm)
            if one is None:
                self.notes.append(f"The pointer of farm {farm} cannot be read; it is left out.")
            elif one.about.share == "left":
                self.left.append(listed[farm])
            else:
                self.pointers[farm] = one
        self._new = {name: [generated.empty(shared(name))] for name in SHARED}
        fresh = [self._taken(one, listed[farm].tag) for farm, one in self.pointers.items()]
        schema = generated.polars_schema(TABLE_OF_FARMS)
        self.farms = pl.concat([self._same, pl.DataFrame(fresh, schema=schema)]).sort("farm")
        self.withdrawn = self._less_shared(known)
        gone = known.join(self.farms, on="farm", how="anti")
        self.nothing_new = not self.pointers and gone.is_empty()

    def _less_shared(self, known: pl.DataFrame) -> bool:
        """Return whether a farm is gone, or shares less than an earlier snapshot shows."""
        both = known.join(self.farms, on="farm", how="left", suffix="_now")
        less = (
            pl.col("share_now").is_null()
            | ((pl.col("share") == "named") & (pl.col("share_now") != "named"))
            | (pl.col("currency").is_not_null() & pl.col("currency_now").is_null())
        )
        return not both.filter(less).is_empty()

    def _taken(self, one: Pointer, tag: str) -> dict[str, object]:
        """Read a farm's tables; return its row of network_farm, with the reason if they cannot be used."""
        about, reason, rows = one.about, None, {}
        wanted = {s.object: name for name, s in one.tables.items() if name in SHARED}
        if any(stored.bytes > LARGEST for stored in one.tables.values()):
            reason, wanted = "a table is too large", {}
        for where, content in self._objects.get_many(wanted):
            name = wanted[where]
            try:
                rows[name] = _of_one_farm(content, shared(name), about.farm)
            except (pl.exceptions.PolarsError, ValueError) as error:
                why = str(error).partition("\n")[0][:200]
                reason = f"{name} cannot be read: {why}"
        if reason is None:
            for name, frame in rows.items():
                self._new[name].append(frame)
        else:
            self.notes.append(f"Farm {about.farm} is left out: {reason}.")
        return {
            "farm": about.farm,
            "share": about.share,
            "name": about.name,
            "latitude_deg": about.latitude_deg,
            "longitude_deg": about.longitude_deg,
            "currency": about.currency,
            "published": one.sequence,
            "published_at": datetime.fromisoformat(one.at),
            "program": one.program,
            "pointer": tag,
            "reason": reason,
        }

    def told(self, runs: pl.DataFrame | None) -> pl.DataFrame:
        """Return the rows of a round that say something new of their farm."""
        if runs is None:
            return generated.empty(TABLE_OF_RUNS)
        return run_rows.news(self._earlier("network_run", TABLE_OF_RUNS), runs)

    def files(
        self, runs: pl.DataFrame, now: datetime
    ) -> tuple[dict[str, tuple[Stored, bytes]], dict[str, tuple[Stored, bytes]]]:
        """Return the files for readers and the private ones, by table: what is stored and its bytes."""
        used = self.farms.filter(pl.col("reason").is_null())
        named = used.filter(pl.col("share") == "named")
        seen = named.with_columns(pointer=pl.lit(None, pl.String))
        public = {"network_farm": _file(PUBLIC, TABLE_OF_FARMS, seen)}
        private = {
            "network_farm": _file(PRIVATE, TABLE_OF_FARMS, self.farms),
            "network_run": _file(PRIVATE, TABLE_OF_RUNS, self._runs(runs, now)),
        }
        frames = {name: self._rows(name) for name in SHARED}
        for name, rows in frames.items():
            table = shared(name)
            private[name] = _file(PRIVATE, table, rows)
            public[name] = _file(PUBLIC, table, rows.join(named, on="farm", how="semi"))
        public["network_pooled"] = _file(PUBLIC, ANSWERS, pooled.answers(frames, used))
        return public, private

    def _rows(self, name: str) -> pl.DataFrame:
        """Return a shared table over all farms: carried over, or new."""
        table = shared(name)
        before = self._earlier(name, table)
        carried = before.join(self._same, on="farm", how="semi")
        return pl.concat([carried, *self._new[name]]).sort(table.key)

    def _runs(self, new: pl.DataFrame, now: datetime) -> pl.DataFrame:
        both = run_rows.kept(self._earlier("network_run", TABLE_OF_RUNS), new, now)
        return both.join(self.farms, on="farm", how="semi", maintain_order="left")

    def _earlier(self, name: str, table: Table) -> pl.DataFrame:
        stored = self._before.private.get(name) if self._before else None
        rows = rows_of(self._objects, stored, table)
        if rows is None:
            raise Refused("Another worker made a snapshot meanwhile; this one was not used.")
        return rows


def _file(prefix: str, table: Table, rows: pl.DataFrame) -> tuple[Stored, bytes]:
    content = pointer.as_parquet(rows)
    key = pointer.named(prefix, table.name, content)
    return Stored(key, rows.height, len(content)), content


def _conformed(content: bytes, table: Table) -> pl.DataFrame:
    """Return the rows of a Parquet file as declared: columns that it lacks are null, others are left out."""
    rows = pl.read_parquet(io.BytesIO(content))
    return generated.conform(rows.select(c for c in rows.columns if c in table.names), table)


def _of_one_farm(content: bytes | None, table: Table, farm: str) -> pl.DataFrame:
    """Return a farm's own rows of a table, under its own id and one a key. Raises ValueError, PolarsError."""
    if content is None:
        raise ValueError("its file is gone")
    if len(content) > LARGEST:
        raise ValueError("its file is too large")
    rows = _conformed(content, table).with_columns(farm=pl.lit(farm))
    if rows.select(pl.any_horizontal(pl.col(table.key).is_null()).any()).item():
        raise ValueError("a key is missing")
    if rows.select(table.key).is_duplicated().any():
        raise ValueError("a key is there twice")
    return rows


def _farm(key: str) -> str:
    return key.rpartition("/")[2].removesuffix(".json")


def _sweep(
    objects: Objects,
    new: Snapshot,
    before: Snapshot | None,
    gathered: _Gathered,
    now: datetime,
) -> None:
    """Delete files that no snapshot names any more, and all that is of a farm that left."""
    wanted = {*new.objects, *(key for one in new.kept for key in one.objects)}
    known = _named(before) if before else set()
    gone = [
        one.key
        for prefix in (PUBLIC, PRIVATE)
        for one in objects.list(prefix)
        if one.key not in wanted and (one.key in known or one.written < now - GRACE)
    ]
    for farm, one in gathered.pointers.items():
        own = {stored.object for stored in one.tables.values()}
        gone += _old(objects.list(f"{pointer.OBJECTS}/{farm}"), own, now)
    for listed in gathered.left:
        gone += [one.key for one in objects.list(f"{pointer.OBJECTS}/{_farm(listed.key)}")]
        if listed.written < now - LEFT_KEPT:
            gone.append(listed.key)
    objects.delete(gone)


def _named(snapshot: Snapshot) -> set[str]:
    return {*snapshot.objects, *(key for one in snapshot.kept for key in one.objects)}


def _old(listed: Iterable[Listed], own: Iterable[str], now: datetime) -> list[str]:
    keep = set(own)
    return [one.key for one in listed if one.key not in keep and one.written < now - KEEP]


def frames(objects: Objects, tables: Mapping[str, Stored]) -> Iterator[tuple[str, pl.DataFrame]]:
    """Yield the tables of a snapshot's files by name; a file that is gone ends it with Expired."""
    for name, stored in tables.items():
        table = shared(name) if name in SHARED else NETWORK[name]
        rows = rows_of(objects, stored, table)
        if rows is None:
            raise Expired(
                "This snapshot has expired: a newer one has replaced it, or a farm has left the network. "
                "Ask again to use the newest one."
            )
        yield name, rows


class Expired(Refused):
    """A file of a snapshot is gone."""
