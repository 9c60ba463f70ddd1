"""The parts of a derived table: what each is made from, hashed, and which rows that is.

A module of ``transforms/`` says in ``PART`` what its rows depend on: a place, which is the name of a
column (``field``, ``probe``) or ``all`` of them, or a place and ``season`` or ``year``. A part is one place,
in one span of days if it goes by season or year. It is made from those rows of a source that are of its place
(all, if the source does not say; rows of no place belong to every part) and, if the source is
computed and has a ``day``, of its span and ``MARGIN_MONTHS`` to either side (before it, after it, where
these differ). What is written in the books is divided by place only, and so is what was learned of a
whole record.

By season, a field's time is divided by its days of harvest: one span ends with a harvest, the next one
begins the day after. Spans are widened to whole months, so a source is hashed once, by place and month.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

import duckdb
import polars as pl

from flows.derive import part_rows
from flows.derive.hashed import Hashed
from flows.derive.part_spans import FIRST, LAST, by_crop_year, by_year, from_days
from flows.derive.part_word import SEASON, YEAR, Word
from flows.store import warehouse
from schemas import generated
from schemas.catalogue import TABLES
from schemas.table import Table

_KEY = ["place", "month", "season"]


@dataclass(frozen=True, slots=True)
class Parts:
    """The parts of one table as they are today.

    ``spans``: part, place, from_day, to_day, from_month, to_month; ``seasons``: part, place, season;
    ``made_from``: a hash by part, those of one place behind each other; ``own``: the sources whose rows
    tell parts; ``keys``: by source the place, month and season of the rows that a part is made from.
    """

    word: Word
    spans: pl.DataFrame
    seasons: pl.DataFrame
    made_from: dict[str, str]
    own: list[str]
    keys: dict[str, pl.DataFrame]

    def given(
        self,
        con: duckdb.DuckDBPyConnection,
        name: str,
        parts: Iterable[str],
        read: pl.DataFrame | None = None,
    ) -> pl.DataFrame:
        """Return the rows of a source that some parts are made from; ``read``: rows that have all of them."""
        table = TABLES[name]
        keys = self.keys[name].filter(pl.col("part").is_in(list(parts))).select(_KEY).unique()
        if read is not None:
            return self._of_keys(table, read, keys)
        on, within = [f"{_place(self.word, table)} IS NOT DISTINCT FROM k.place"], {}
        if self.word.by_place(table):
            within[self.word.place] = keys["place"], keys["place"]
        if self.word.by_day(table):
            on.append("date_trunc('month', day) = k.month")
            within["day"] = keys["month"], keys["month"].dt.month_end()
        if self.word.by_season(table):
            on.append("t.season = k.season")
        if len(on) == 1 and not self.word.by_place(table):
            return warehouse.read(con, table)
        return part_rows.rows(con, table, f"t SEMI JOIN k ON {' AND '.join(on)}", keys, within)

    def since(self, name: str, parts: Iterable[str]) -> tuple[date | None, int]:
        """Return the first month of a source that some parts read, and how many rows all have from it on.

        None if they read it from its beginning, or it does not go by its day.
        """
        keys = self.keys[name]
        months = keys.filter(pl.col("part").is_in(list(parts)))["month"]
        first = months.min()
        if not self.word.by_day(TABLES[name]) or not isinstance(first, date) or months.has_nulls():
            return None, 0
        if first == keys["month"].min():
            return None, 0
        later = keys.filter(pl.col("month") >= first).unique(_KEY)
        return first, int(later["n"].sum())

    def _of_keys(self, table: Table, rows: pl.DataFrame, keys: pl.DataFrame) -> pl.DataFrame:
        """Return those of a table's rows that have one of the keys, in their order."""
        said = {
            "place": (self.word.by_place(table), pl.col(self.word.place)),
            "month": (self.word.by_day(table), pl.col("day").dt.truncate("1mo")),
            "season": (self.word.by_season(table), pl.col("season")),
        }
        on = {name: value for name, (used, value) in said.items() if used}
        if not on:
            return rows
        return rows.join(
            keys,
            left_on=list(on.values()),
            right_on=list(on),
            how="semi",
            nulls_equal=True,
            maintain_order="left",
        )

    def batches(self, parts: Sequence[str], most_rows: int) -> Iterator[list[str]]:
        """Yield parts, as many at a time as are made from no more than so many rows (one at least).

        What several parts of a place are made from counts once: a batch reads it once.
        """
        rows = self._more_rows(parts)
        batch: list[str] = []
        read = 0
        for part in parts:
            if batch and read + rows.get(part, 0) > most_rows:
                yield batch
                batch, read = [], 0
            batch.append(part)
            read += rows.get(part, 0)
        if batch:
            yield batch

    def _more_rows(self, parts: Sequence[str]) -> dict[str, int]:
        """Return how many rows each part reads that none before it does, of what tells parts."""
        order = pl.DataFrame({"part": parts}, schema={"part": pl.String}).with_row_index("at")
        first = (
            self.keys[source].join(order, on="part").sort("at").unique(_KEY, keep="first")
            for source in self.own
        )
        sums = pl.concat(keys.select("part", "n") for keys in first).group_by("part")
        return dict(sums.agg(pl.col("n").sum()).iter_rows())

    def stored(
        self, con: duckdb.DuckDBPyConnection, table: Table, parts: Iterable[str]
    ) -> pl.DataFrame:
        """Return the stored rows of a table that belong to some parts."""
        kept = self.spans.filter(pl.col("part").is_in(list(parts)))
        within = {self.word.place: (kept["place"], kept["place"])}
        if not self.word.by_place(table):
            within = {}
        if self.word.by_day(table):
            within["day"] = kept["from_day"], kept["to_day"]
        on, known = self._theirs(table, kept)
        return part_rows.rows(con, table, f"t SEMI JOIN k ON {on}", known, within)

    def has_all(self, parts: Collection[str] | None) -> bool:
        """Return whether all these parts are there; not if there are none."""
        return bool(parts) and self.made_from.keys() >= set(parts or ())

    def strays(
        self, con: duckdb.DuckDBPyConnection, table: Table, groups: pl.DataFrame
    ) -> pl.DataFrame:
        """Return the stored rows that belong to no part. ``groups``: what its rows are hashed by.

        All time of a place is in some part, so places, seasons and rows without a day tell.
        """
        known, on = (
            (self.spans, ["place"])
            if not self.word.by_season(table)
            else (self.seasons, ["place", "season"])
        )
        lost = groups.join(known, on=on, how="anti").height
        lost += groups["month"].null_count() if self.word.by_day(table) else 0
        if not lost:
            return generated.empty(table)
        condition, kept = self._theirs(table, self.spans)
        return part_rows.rows(con, table, f"t ANTI JOIN k ON {condition}", kept)

    def _theirs(self, table: Table, spans: pl.DataFrame) -> tuple[str, pl.DataFrame]:
        """Return SQL that joins a table's rows with those ``k`` that their parts have, and these."""
        place = f"{_place(self.word, table)} = k.place"
        if self.word.by_season(table):
            seasons = self.seasons.join(spans, on="part", how="semi")
            return f"{place} AND t.season = k.season", seasons
        if self.word.by_day(table):
            return f"{place} AND t.day BETWEEN k.from_day AND k.to_day", spans
        return place, spans

    def of(self, table: Table, rows: pl.DataFrame, parts: Iterable[str]) -> pl.DataFrame:
        """Return those of a table's rows that belong to some parts, and those that belong to none.

        The latter lack a place, season or day, which breaks their declaration: whoever checks must see them.
        """
        said = [self.word.place] * self.word.by_place(table)
        said += ["season"] if self.word.by_season(table) else ["day"] * self.word.by_day(table)
        lost = rows.filter(pl.any_horizontal(pl.col(said).is_null()))
        return pl.concat([self._own(table, rows.drop_nulls(said), parts), lost])

    def _own(self, table: Table, rows: pl.DataFrame, parts: Iterable[str]) -> pl.DataFrame:
        wanted = self.spans.filter(pl.col("part").is_in(list(parts)))
        place = self.word.place
        if self.word.by_season(table):
            seasons = self.seasons.join(wanted, on="part", how="semi")
            return rows.join(
                seasons, left_on=[place, "season"], right_on=["place", "season"], how="semi"
            )
        if not self.word.by_day(table):
            return rows.join(wanted, left_on=place, right_on="place", how="semi")
        rows = rows.with_row_index("row_no")
        found = (
            rows.select("row_no", "day", place=place if place in rows.columns else pl.lit(""))
            .join(wanted, on="place")
            .filter(pl.col("day").is_between("from_day", "to_day"))
        )
        return rows.join(found, on="row_no", how="semi").drop("row_no")


class Divided:
    """Sources hashed by place and month."""

    def __init__(self, con: duckdb.DuckDBPyConnection, hashed: Hashed) -> None:
        """Hash nothing yet."""
        self._con = con
        self._hashed = hashed
        self._season: pl.DataFrame | None = None

    def parts(self, method: str, word: Word, sources: Iterable[str]) -> Parts:
        """Return the parts of a table that a method makes from its sources."""
        found = {source: self._hashed.of(source, word.by(TABLES[source])) for source in sources}
        spans, seasons = self._spans(word, found)
        keys = {s: _keys(word, TABLES[s], rows, spans, seasons) for s, rows in found.items()}
        sums = pl.concat(
            rows.group_by("part").agg(
                pl.lit(source).alias("source"),
                pl.col("n", "total").sum(),
                pl.col("mixed").bitwise_xor(),
            )
            for source, rows in keys.items()
        ).sort("part", "source")
        made_from: dict[str, list[Any]] = {
            part: [method, str(since), str(until)]
            for part, since, until in spans.select("part", "from_month", "to_month").iter_rows()
        }
        for part, *one in sums.iter_rows():
            made_from[part].append(one)
        return Parts(
            word,
            spans,
            seasons,
            {p: hashlib.sha256(json.dumps(i).encode()).hexdigest() for p, i in made_from.items()},
            [source for source in found if word.tells_parts(TABLES[source])],
            keys,
        )

    def _spans(
        self, word: Word, found: dict[str, pl.DataFrame]
    ) -> tuple[pl.DataFrame, pl.DataFrame]:
        """Return the spans of all parts, and which seasons lie in which."""
        placed = [rows for name, rows in found.items() if word.tells_parts(TABLES[name])]
        places = pl.concat(rows.select("place") for rows in placed).drop_nulls().unique()
        seasons = pl.DataFrame(schema={"place": pl.String, "season": pl.Int64, "span": pl.Date})
        if word.span == SEASON:
            if self._season is None:
                self._season = warehouse.read(self._con, TABLES["season"])
            spans, seasons = by_crop_year(places, self._season)
        elif word.span == YEAR:
            spans = by_year(places, pl.concat(rows.select("place", "month") for rows in placed))
        else:
            spans = from_days(places.with_columns(from_day=pl.lit(FIRST)))
        first = pl.min_horizontal("from_day", "seeded").dt.truncate("1mo")
        last = pl.col("to_day").dt.truncate("1mo")
        spans = spans.with_columns(
            part=pl.format("{} {}", "place", "from_day"),
            from_month=pl.when(first == FIRST)
            .then(first)
            .otherwise(first.dt.offset_by(f"-{word.months_before}mo")),
            to_month=pl.when(pl.col("to_day") == LAST)
            .then(last)
            .otherwise(last.dt.offset_by(f"{word.months_after}mo")),
        ).sort("place", "from_day")
        seasons = seasons.select("place", "season", part=pl.format("{} {}", "place", "span"))
        return spans, seasons


def _keys(
    word: Word, table: Table, rows: pl.DataFrame, spans: pl.DataFrame, seasons: pl.DataFrame
) -> pl.DataFrame:
    """Return a source's rows of ``hashes`` once for every part that is made from them."""
    spans = spans.select("part", "from_month", "to_month", own="place")
    if word.by_place(table):
        own = rows.join(spans, left_on="place", right_on="own")
        shared = rows.filter(pl.col("place").is_null()).join(spans.drop("own"), how="cross")
        keys = pl.concat([own, shared.select(own.columns)])
    else:
        keys = rows.join(spans.drop("own"), how="cross")
    if word.by_day(table):
        inside = pl.col("month").is_between("from_month", "to_month")
        keys = keys.filter(inside | pl.col("month").is_null())
    if word.by_season(table):
        known = seasons.rename({"part": "of_part"})
        keys = keys.join(known, on=["place", "season"], how="left").filter(
            pl.col("of_part").is_null() | (pl.col("of_part") == pl.col("part"))
        )
    return keys.select("part", *rows.columns)


def _place(word: Word, table: Table) -> str:
    """Return SQL for the place of a table's rows."""
    return f"t.{generated.quoted(word.place)}" if word.by_place(table) else "''"
