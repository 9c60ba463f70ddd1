"""Hashes of the rows of tables that others are made from, by place, month and season.

Of a large computed table they are kept in ``used.hashed`` from one derive to the next, for it is this
package alone that writes its rows and says so (``written``). So a day's work does not read the years
before. Rows that came or went by other means are found by the number of rows of each month, and all
hashes are taken anew once a week, in a new version of the program and where ``derive_all`` asks for
it. All other tables are hashed each time.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import reduce
from operator import xor

import duckdb
import polars as pl

from flows.store import warehouse
from schemas import generated
from schemas.catalogue import TABLES
from schemas.table import Tier

COMPUTED = (Tier.DAILY, Tier.DERIVED)
_KEPT = timedelta(days=7)
# Rows of a table that are hashed as fast as what is kept of them is looked up.
FEW_ROWS = 50_000


@dataclass(frozen=True, slots=True)
class By:
    """What the rows of a table are divided by: a column that names a place, the month of a day, the season."""

    place: str = ""
    month: bool = False
    season: bool = False

    def __str__(self) -> str:
        """As it is kept."""
        return f"{self.place} {'month' * self.month} {'season' * self.season}"


class Hashed:
    """Hashes of tables, each taken once until its rows change."""

    def __init__(
        self, con: duckdb.DuckDBPyConnection, program: str = "", *, forget: bool = False
    ) -> None:
        """Take up what is kept; nothing if it is to be forgotten, a week old or of another program."""
        self._con = con
        self._found: dict[tuple[str, By], pl.DataFrame] = {}
        self._whole: dict[str, tuple[int, int, int]] = {}
        sizes = con.execute(
            "SELECT table_name, estimated_size FROM duckdb_tables() "
            "WHERE database_name = current_database() AND schema_name = 'main'"
        ).fetchall()
        self._rows = {name: rows for name, rows in sizes if name in TABLES}
        con.execute(
            "CREATE SCHEMA IF NOT EXISTS used; "
            "CREATE TABLE IF NOT EXISTS used.hashed (table_name VARCHAR, divided VARCHAR, place VARCHAR, "
            "month DATE, season BIGINT, n BIGINT, total UBIGINT, mixed UBIGINT); "
            "CREATE TABLE IF NOT EXISTS used.hashed_anew (day DATE, program VARCHAR)"
        )
        ((since,),) = con.execute(
            "SELECT max(day) FROM used.hashed_anew WHERE program = ?", [program]
        ).fetchall()
        today = datetime.now(UTC).date()
        if forget or since is None or not since <= today < since + _KEPT:
            con.execute("DELETE FROM used.hashed; DELETE FROM used.hashed_anew")
            con.execute("INSERT INTO used.hashed_anew VALUES (?, ?)", [today, program])
        kept = con.execute("SELECT DISTINCT table_name FROM used.hashed").fetchall()
        self._has_kept = {name for (name,) in kept}

    def of(self, name: str, by: By) -> pl.DataFrame:
        """Return place, month and season of a table's rows, their number ``n`` and two sums of hashes."""
        if (name, by) not in self._found:
            if self._kept(name):
                self._take(name, by)
                query = f"SELECT * EXCLUDE (table_name, divided) FROM used.hashed WHERE {_these(name, by)}"
            else:
                query = _hashes(name, by)
            self._found[name, by] = self._con.sql(query).pl()
        return self._found[name, by]

    def whole(self, name: str) -> tuple[int, int, int]:
        """Return the number of a table's rows and two sums of their hashes, in whatever order they lie."""
        if name not in self._whole:
            if self._kept(name):
                rows = self._divided(name)
                n, total, mixed = (rows[column].to_list() for column in ("n", "total", "mixed"))
                self._whole[name] = (sum(n), sum(total) % 2**64, reduce(xor, mixed, 0))
            else:
                # The first time all at once: a query costs more than a small table's rows.
                names = [name] if self._whole else [n for n in self._rows if not self._kept(n)]
                taken = " UNION ALL ".join(_whole(one) for one in {*names, name})
                self._whole |= {
                    one: (n, t, m) for one, n, t, m in self._con.execute(taken).fetchall()
                }
        return self._whole[name]

    def _divided(self, name: str) -> pl.DataFrame:
        """Return the hashes of a table divided in some way: in whatever way, they add up to the same."""
        taken = [rows for (of, _), rows in self._found.items() if of == name]
        return taken[0] if taken else self.of(name, By(month="day" in TABLES[name].names))

    def _kept(self, name: str) -> bool:
        return TABLES[name].tier in COMPUTED and self._rows.get(name, 0) > FEW_ROWS

    def written(self, name: str, rows: pl.DataFrame) -> None:
        """Note that rows of a table were written or went, of which days if it has a column ``day``."""
        self._found = {key: frame for key, frame in self._found.items() if key[0] != name}
        self._whole.pop(name, None)
        if name not in self._has_kept:
            return
        days = rows["day"] if "day" in rows else pl.Series(dtype=pl.Date)
        months = days.dt.truncate("1mo").unique().drop_nulls().to_list()
        self._con.execute(
            "DELETE FROM used.hashed WHERE table_name = ? "
            "AND (month IS NULL OR month IN (SELECT unnest(?::DATE[])))",
            [name, months],
        )

    def _take(self, name: str, by: By) -> None:
        """Take the hashes of those months whose number of rows is not the one kept."""
        month = "date_trunc('month', day)::DATE" if by.month else "NULL::DATE"
        stale = self._con.sql(f"""
            SELECT coalesce(now.month, kept.month) AS month
            FROM (SELECT {month} AS month, count(*) AS n FROM {generated.quoted(name)} GROUP BY ALL) now
            FULL JOIN (
                SELECT month, sum(n) AS n FROM used.hashed WHERE {_these(name, by)} GROUP BY ALL
            ) kept ON now.month IS NOT DISTINCT FROM kept.month
            WHERE now.n IS DISTINCT FROM kept.n
        """).pl()
        if stale.is_empty():
            return
        self._has_kept.add(name)
        with warehouse.shown(self._con, stale=stale):
            self._con.execute(
                f"DELETE FROM used.hashed h USING stale s "
                f"WHERE {_these(name, by)} AND h.month IS NOT DISTINCT FROM s.month"
            )
            days = stale["month"].drop_nulls()
            within = "true"
            if by.month and days.len() == stale.height:
                within = (
                    f"day >= DATE '{days.min()}' AND day < DATE '{days.max()}' + INTERVAL 1 MONTH"
                )
            self._con.execute(f"""
                INSERT INTO used.hashed
                SELECT '{name}', '{by}', * FROM ({_hashes(name, by, within)}) h
                SEMI JOIN stale s ON h.month IS NOT DISTINCT FROM s.month
            """)


def _whole(name: str) -> str:
    """Return SQL for a table's name, number of rows and two sums of hashes."""
    return f"""
        SELECT '{name}', coalesce(sum(n), 0)::BIGINT, coalesce(any_value(total), 0),
            coalesce(any_value(mixed), 0)
        FROM ({_hashes(name, By())})
    """


def _these(name: str, by: By) -> str:
    return f"table_name = '{name}' AND divided = '{by}'"


def _hashes(name: str, by: By, within: str = "true") -> str:
    """Return SQL for place, month, season, number of rows and two sums of hashes."""
    columns = ", ".join(generated.quoted(column) for column in TABLES[name].names)
    return f"""
        SELECT place, month, season, count(*) AS n,
            (sum(h) % 18446744073709551616)::UBIGINT AS total, bit_xor(h) AS mixed
        FROM (
            SELECT {f"t.{generated.quoted(by.place)}" if by.place else "''"} AS place,
                hash({columns}) AS h,
                {"date_trunc('month', day)::DATE" if by.month else "NULL::DATE"} AS month,
                {"season" if by.season else "NULL::BIGINT"} AS season
            FROM {generated.quoted(name)} t WHERE {within}
        ) GROUP BY ALL
    """
