"""What each table was last made by and from, so that one from which nothing changed is left as it is.

Kept in ``used.made``, in the transaction that writes the rows: a hash of the method, of the rows of
every source table, and of the rows made. The hashes are taken from what is stored each time, so
rows that were changed or emptied by whatever means are computed anew.
"""

import hashlib
import json
from collections.abc import Iterable

import duckdb

from flows.derive import made_by
from flows.store import facts
from schemas import generated
from schemas.catalogue import TABLES


class MadeFrom:
    """The hashes of the last derive and those of what is stored now."""

    def __init__(self, con: duckdb.DuckDBPyConnection) -> None:
        """Read what is known; nothing is if an upgrade emptied tables."""
        self._con = con
        self._methods = made_by.methods(con)
        con.execute(
            "CREATE TABLE IF NOT EXISTS used.made "
            "(table_name VARCHAR, made_from VARCHAR, holds VARCHAR)"
        )
        if facts.fact(con, "derive_all") is not None:
            con.execute("DELETE FROM used.made")
        rows = con.execute("SELECT table_name, made_from, holds FROM used.made").fetchall()
        self._known = {name: (made_from, holds) for name, made_from, holds in rows}
        self._holds: dict[str, str] = {}

    def sources(self, name: str) -> tuple[str, ...]:
        """Return the names of the tables that a table is made from."""
        return self._methods[name].sources

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

    def written(self, name: str, *, whole: bool) -> None:
        """Note that a table was made; if not ``whole`` (it has a problem), that the next derive makes it."""
        self._holds.pop(name, None)
        self._note(name, (self._today(name), self.holds(name)) if whole else None)

    def forget(self, names: Iterable[str]) -> None:
        """Have the next derive make these tables."""
        for name in names:
            self._note(name, None)

    def holds(self, name: str) -> str:
        """Return a hash of the stored rows of a table, in any order."""
        if name not in self._holds:
            columns = ", ".join(generated.quoted(column) for column in TABLES[name].names)
            found = self._con.execute(
                f"SELECT count(*), sum(h), bit_xor(h) FROM (SELECT hash({columns}) AS h "
                f"FROM {generated.quoted(name)})"
            ).fetchall()
            self._holds[name] = json.dumps(found, default=str)
        return self._holds[name]

    def _today(self, name: str) -> str:
        method = self._methods[name]
        inputs = [(source, self.holds(source)) for source in method.sources]
        return hashlib.sha256(json.dumps([method.hash, inputs]).encode()).hexdigest()

    def _note(self, name: str, made: tuple[str, str] | None) -> None:
        if self._known.get(name) == made:
            return
        self._con.execute("DELETE FROM used.made WHERE table_name = ?", [name])
        self._known.pop(name, None)
        if made is not None:
            self._con.execute("INSERT INTO used.made VALUES (?, ?, ?)", [name, *made])
            self._known[name] = made
