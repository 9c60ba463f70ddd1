"""Rows on their way to readings: what they are of, and which columns are of one place."""

from __future__ import annotations

from dataclasses import dataclass, field

import polars as pl

from flows.intake.door.places import Places
from flows.intake.door.rejected import rejections
from schemas.catalogue import TABLES
from schemas.farm.layout import ColumnRule, Layout
from schemas.quantities import BY_NAME, COUNTED, Instrument
from schemas.table import Table

TABLE_OF: dict[Instrument, Table] = {
    Instrument.STATION: TABLES["weather_reading"],
    Instrument.PROBE: TABLES["soil_reading"],
}
# What a layout says beside a value is no value of its own.
RAIN_OVER = "rain_over_d"
UNCOUNTED = (*(BY_NAME[rolls_at].column.name for _, rolls_at in COUNTED.values()), RAIN_OVER)
NO_DEPTH = -1.0  # stands for the depth of what a station measures


@dataclass(frozen=True, slots=True)
class Sensor:
    """Columns of the file that are of one place: ``names``; ``number`` tells them apart here."""

    number: int
    names: list[str]

    def of(self, column: str) -> str:
        """Return the frame's name for one of its columns."""
        return f"{column}@{self.number}"


@dataclass(slots=True)
class Batch:
    """Rows on their way: what they are of, what was rejected of them so far."""

    frame: pl.DataFrame
    kind: Instrument
    layout: Layout
    places: Places
    rejected: list[pl.DataFrame] = field(default_factory=list)
    flagged: list[pl.DataFrame] = field(default_factory=list)

    @property
    def table(self) -> Table:
        """Where they are to land."""
        return TABLE_OF[self.kind]

    def rule(self, name: str) -> ColumnRule:
        """Return what the layout says of a column of the file."""
        return self.layout.columns[name]

    def reject(  # noqa: PLR0917
        self,
        rows: pl.DataFrame,
        names: list[str],
        cause: str | pl.Expr,
        found: pl.Expr,
        expected: str | pl.Expr,
        values: pl.Expr,
    ) -> None:
        """Note that the ``values`` of columns ``names`` of rows are rejected."""
        column = ", ".join(names)
        self.rejected.append(rejections(rows, column, cause, found, expected, values))

    def without(self, bad: pl.Expr, names: list[str]) -> None:
        """Take values out of rows."""
        self.frame = self.frame.with_columns(
            pl.when(~bad).then(pl.col(f"v:{name}")).alias(f"v:{name}") for name in names
        )

    @staticmethod
    def value_count(sensor: Sensor) -> pl.Expr:
        """Return how many columns of a sensor have a value in a row."""
        return pl.sum_horizontal(pl.col(f"v:{name}").is_not_null() for name in sensor.names)
