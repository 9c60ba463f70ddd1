"""What each table was last made by and from, so that one from which nothing changed is left as it is.

Kept in ``used.made``, in the transaction that writes the rows: a hash of the method, of the rows of
every source table, and of the rows made (``hashed``). Of a table that is made by parts ``used.part``
has a hash of what each is made from besides. Both are read once, and written by ``keep``.
"""

import hashlib
import json
from collections.abc import Iterable

import duckdb
import polars as pl

from flows.derive import made_by
from flows.derive.hashed import COMPUTED, By, Hashed
from flows.derive.parts import Divided, Parts
from flows.store import facts, warehouse
from schemas import generated
from schemas.catalogue import TABLES

_KEPT = {"made": "made_from, holds", "part": "part, made_from"}


class MadeFrom:
    """The hashes of the last derive and those of what is stored now."""

    def __init__(self, con: duckdb.DuckDBPyConnection) -> None:
        """Read what is known; nothing is if an upgrade emptied tables."""
        self._con = con
        self._methods = made_by.methods(con)
        con.execute(
            "CREATE TABLE IF NOT EXISTS used.made "
            "(table_name VARCHAR, made_from VARCHAR, holds VARCHAR); "
            "CREATE TABLE IF NOT EXISTS used.part "
            "(table_name VARCHAR, part VARCHAR, made_from VARCHAR)"
        )
        anew = facts.fact(con, "derive_all") is not None
        if anew:
            con.execute("DELETE FROM used.made")
        self._stored = {
            kept: set(con.execute(f"SELECT table_name, {rest} FROM used.{kept}").fetchall())
            for kept, rest in _KEPT.items()
        }
        self._known = {name: (source, holds) for name, source, holds in self._stored["made"]}
        self._parts: dict[str, dict[str, str]] = {}
        for name, part, source in self._stored["part"]:
            self._parts.setdefault(name, {})[part] = source
        self._hashed = Hashed(con, made_by.fingerprint(), forget=anew or not self._known)
        self._divided = Divided(con, self._hashed)

    def sources(self, name: str) -> tuple[str, ...]:
        """Return the names of the tables that a table is made from."""
        return self._methods[name].sources

    def lacks(self, name: str) -> bool:
        """Return whether a source that a table cannot do without has no row: then the table has none."""
        needs = self._methods[name].needs
        return bool(needs) and self.rows(needs) == 0

    def method_changed(self, name: str) -> bool:
        """Return whether a daily table's rows were made by another method; note today's."""
        now = (self._methods[name].hash, "")
        if self._known.get(name) == now:
            return False
        self._note(name, now)
        return True

    def stands(self, name: str) -> bool:
        """Return whether making a table once more would give the rows that are stored."""
        return self._known.get(name) == (self._today(name), self.holds(name))

    def parts(self, name: str) -> Parts | None:
        """Return the parts of a table as they are today; None if it is made whole."""
        method = self._methods[name]
        if method.part is None:
            return None
        return self._divided.parts(method.hash, method.part, method.sources)

    def changed(self, name: str, parts: Parts) -> list[str]:
        """Return the parts of a table that must be made: all if its rows are not those last made."""
        known = self._known.get(name)
        if known is None or known[1] != self.holds(name):
            return list(parts.made_from)
        before = self._parts.get(name, {})
        return [
            part for part, made_from in parts.made_from.items() if before.get(part) != made_from
        ]

    def rows(self, name: str) -> int:
        """Return how many rows a table has."""
        return self._hashed.whole(name)[0]

    def strays(self, name: str, parts: Parts) -> pl.DataFrame:
        """Return the stored rows of a table that belong to none of its parts."""
        table, known = TABLES[name], self._known.get(name)
        # While all parts of the last time are there, and nobody else wrote rows, days are of some part.
        as_left = known is not None and known[1] == self.holds(name)
        if as_left and not parts.word.by_season(table) and parts.has_all(self._parts.get(name)):
            return generated.empty(table)
        return parts.strays(self._con, table, self._hashed.of(name, parts.word.by(table)))

    def rewritten(self, name: str, rows: pl.DataFrame) -> None:
        """Note that these rows of a table were written or went."""
        self._hashed.written(name, rows)

    def made(self, name: str, *, whole: bool, parts: Parts | None = None) -> None:
        """Note that a table was made; if not ``whole`` (it has a problem), that the next derive makes it."""
        if parts is None:  # what its parts were made from before is no more
            self._parts.pop(name, None)
        elif whole:
            self._parts[name] = parts.made_from
        self._note(name, (self._today(name), self.holds(name)) if whole else None)

    def forget(self, names: Iterable[str]) -> None:
        """Have the next derive make these tables."""
        for name in names:
            self._note(name, None)

    def holds(self, name: str) -> str:
        """Return a hash of the stored rows of a table, in any order."""
        return json.dumps(self._hashed.whole(name))

    def _today(self, name: str) -> str:
        method = self._methods[name]
        held = self._of_harvested if method.harvested else self.holds
        sources = (method.needs,) if self.lacks(name) else method.sources
        inputs = [(source, held(source)) for source in sources]
        return hashlib.sha256(json.dumps([method.hash, inputs]).encode()).hexdigest()

    def _of_harvested(self, name: str) -> str:
        """Return a hash of a table's rows, of one by field and season those of harvested seasons."""
        table = TABLES[name]
        if table.tier not in COMPUTED or not {"field", "season"} <= set(table.key):
            return self.holds(name)
        harvested = warehouse.read(self._con, TABLES["season"], "harvested IS NOT NULL")
        rows = self._hashed.of(name, By("field", season=True)).join(
            harvested, left_on=["place", "season"], right_on=["field", "season"], how="semi"
        )
        return json.dumps(
            rows.select("place", "season", "n", "total", "mixed").sort(pl.all()).rows()
        )

    def keep(self) -> None:
        """Store what was noted, for the next derive."""
        parts = {(n, part, source) for n, by in self._parts.items() for part, source in by.items()}
        made = {(name, *known) for name, known in self._known.items()}
        for kept, now in (("made", made), ("part", parts)):
            before, columns = self._stored[kept], ["table_name", *_KEPT[kept].split(", ")]
            schema = dict.fromkeys(columns, pl.String)
            gone, new = (
                pl.DataFrame(list(rows), schema, orient="row")
                for rows in (before - now, now - before)
            )
            same = " AND ".join(f"t.{column} = gone.{column}" for column in columns[:2])
            with warehouse.shown(self._con, gone=gone, new=new):
                if not gone.is_empty():
                    self._con.execute(f"DELETE FROM used.{kept} t USING gone WHERE {same}")
                if not new.is_empty():
                    self._con.execute(f"INSERT INTO used.{kept} SELECT * FROM new")
            self._stored[kept] = now

    def _note(self, name: str, made: tuple[str, str] | None) -> None:
        if made is None:
            self._known.pop(name, None)
        else:
            self._known[name] = made
