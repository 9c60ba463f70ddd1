"""The published copy's tables for a page, each read whole when first asked for."""

from datetime import date, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import duckdb
import polars as pl

from flows.base.errors import UserError
from flows.pages.cells import Line, Part, Row, cell
from flows.pages.reader_units import Show, System
from schemas import generated
from schemas.catalogue import TABLES
from schemas.table import Table
from transforms.methods import comparisons

_WHO = (
    "Where a field is named with two strips, the first is called the treated strip and the second the "
    "check, also if both were worked."
)


class Tables:
    """Frames of the published tables; one that the copy does not have is empty.

    With ``since``, tables by the day have only the days from then on. A field with more than two strips
    stands as a field for each comparison, unless ``as_stored``.
    """

    def __init__(
        self, con: duckdb.DuckDBPyConnection, since: date | None = None, *, as_stored: bool = False
    ) -> None:
        self._con = con
        self._as_stored = as_stored
        self._since = since
        self._there = {
            name
            for (name,) in con.sql(
                "SELECT table_name FROM duckdb_tables() WHERE schema_name = 'main'"
            ).fetchall()
        }
        self._frames: dict[str, pl.DataFrame] = {}

    def __call__(self, name: str, **equal: Any) -> pl.DataFrame:
        """Return the rows of a table in which the named columns have these values."""
        if name not in self._frames:
            self._frames[name] = self._read(name)
        found = self._frames[name]
        for column, value in equal.items():
            found = found.filter(pl.col(column) == value)
        return found

    def one(self, name: str, **equal: Any) -> Row | None:
        """Return the first row of a table in which the named columns have these values, or None."""
        rows = self(name, **equal).head(1).to_dicts()
        return rows[0] if rows else None

    def _read(self, name: str) -> pl.DataFrame:
        table = TABLES[name]
        if name not in self._there:
            return generated.empty(table)
        text = f"SELECT * FROM {generated.quoted(name)}"
        if self._since is not None and "day" in table.key:
            text += f" WHERE day >= DATE '{self._since}'"
        frame: pl.DataFrame = self._con.sql(text).pl()
        known = [column for column in table.names if column in frame.columns]
        frame = generated.conform(frame.select(known), table)
        return self._by_comparison(frame, table).sort(table.key)

    def _by_comparison(self, frame: pl.DataFrame, table: Table) -> pl.DataFrame:
        """Show each comparison of a field with more than two strips as a field of its own."""
        if self._as_stored or "field" not in table.names or table.name == "comparison":
            return frame
        more = comparisons.several(self("comparison"))
        return frame if more.is_empty() else comparisons.shown(frame, table, more)

    def who_is_who(self) -> tuple[Line, ...]:
        """Say which strip is called what, if a field has more than two or others than these."""
        named = not comparisons.several(self("comparison")).is_empty()
        return (Line((_WHO,)),) if named else ()

    def fields(self) -> list[Row]:
        """Return the fields, by name."""
        return self("field").to_dicts()

    def watched(self) -> list[Row]:
        """Return the fields to tell of week by week: of one with several comparisons those with instruments.

        Instruments in both strips; if no comparison has them, its first.
        """
        spells = [self(name).select("field", "strip") for name in ("station_spell", "probe_spell")]
        strips = pl.concat(spells).drop_nulls().unique().group_by("field").len()
        both = set(strips.filter(pl.col("len") > 1)["field"])
        rows = self.fields()
        named = {own_field(row) for row in rows if row["field"] in both}
        first = {own_field(row): row["field"] for row in reversed(rows)}
        return [
            row
            for row in rows
            if row["field"] in both
            or (own_field(row) not in named and row["field"] == first[own_field(row)])
        ]

    def show(self, system: System | None = None, *, brief: bool = False) -> Show:
        """Return units, currency and clock as the farm has them, or in another system of units."""
        farm = self("farm").to_dicts()
        crops = self("crop").filter(pl.col("bushel_kg").is_not_null())
        bushels = dict(zip(crops["crop"], crops["bushel_kg"], strict=True))
        given: System = farm[0]["units"] if farm else "metric"
        currency = farm[0]["currency"] if farm else "USD"
        return Show(system or given, currency, bushels, self.zone, brief)

    @property
    def zone(self) -> ZoneInfo:
        """Return the farm's time zone."""
        farm = self("farm").to_dicts()
        return ZoneInfo(farm[0]["time_zone"]) if farm else ZoneInfo("UTC")

    def farm_name(self) -> Part:
        """Return the farm's name."""
        farm = self("farm").to_dicts()
        return cell("farm", farm[0], "farm") if farm else "The farm"

    def season_on(self, field: str, day: date) -> Row | None:
        """Return the season whose crop is in a field on a day, or was harvested that week."""
        rows = self("season", field=field).filter(
            (pl.col("seeded") <= day)
            & (pl.col("harvested").is_null() | (pl.col("harvested") > day - timedelta(days=7)))
        )
        return rows.sort("seeded").to_dicts()[-1] if rows.height else None


def last_row(frame: pl.DataFrame, by: str = "day") -> Row | None:
    """Return the latest row; None if there is none."""
    return frame.sort(by).to_dicts()[-1] if frame.height else None


def chosen_fields(tables: Tables, field: str | None) -> list[str]:
    """Return the names of all fields of the field book, or the one asked for; UserError if it has none such."""
    names = sorted({own_field(row) for row in tables.fields()})
    if field is not None and field not in names:
        known = ", ".join(names) or "none"
        raise UserError(f"There is no field '{field}' in the field book. Its fields: {known}.")
    return names if field is None else [field]


def own_field(row: Row) -> str:
    """Return the field of a row that may stand for a comparison of two of its strips."""
    return str(row.get(comparisons.OWN + "field") or row["field"])


def of_main_strips(row: Row) -> bool:
    """Whether a row of a comparison is that of the strips named treated and check."""
    own = (row.get(comparisons.OWN + "strip"), row.get(comparisons.OWN + "against"))
    return own in {(None, None), (comparisons.TREATED, comparisons.CHECK)}
