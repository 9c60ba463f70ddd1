"""One season of one field as it is known on a day: its anchors, and the rows that say what is done."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from functools import cached_property

import polars as pl

from flows.pages.cells import Row
from flows.pages.published_tables import Tables, own_field


@dataclass(frozen=True, slots=True)
class Made:
    """What the farm folder holds that no table does: days of reports, forms and the last backup."""

    reports: tuple[date, ...] = ()
    pass_sheets: tuple[date, ...] = ()
    last_backup: date | None = None


@dataclass(frozen=True)
class Place:
    """One season of a field, the one after it, and the day that it is looked at from.

    ``row`` and ``after`` are rows of ``season_ahead``. Days later than ``day`` count as not known yet.
    """

    tables: Tables
    day: date
    row: Row
    after: Row | None
    made: Made | None

    @property
    def field(self) -> str:
        """Return the name of the field."""
        return str(self.row["field"])

    @property
    def whole_field(self) -> str:
        """Return the name of the field itself, where this is a comparison of two of its strips."""
        return str(own_field(self.row))

    @property
    def season(self) -> int:
        """Return the year of the harvest."""
        return int(self.row["season"])

    @property
    def seeded(self) -> date | None:
        """Return the day of seeding if it is known on the day."""
        return self._known(self.row, "seeded")

    @property
    def harvested(self) -> date | None:
        """Return the day of harvest if it is known on the day."""
        return self._known(self.row, "harvested")

    @property
    def next_seeded(self) -> date | None:
        """Return the day on which the next crop was seeded if it is known on the day."""
        return self._known(self.after, "seeded") if self.after else None

    def _known(self, row: Row, column: str) -> date | None:
        found: date | None = row[column]
        return found if found is not None and found <= self.day else None

    def anchor(self, name: str) -> date | None:
        """Return the day that a rule counts from: as it happened, else as it is to be expected."""
        match name:
            case "seeding":
                return self.seeded or self.row["seeding_expected"]
            case "harvest":
                return self.harvested or self.row["harvest_expected"]
            case "harvested":
                return self.harvested
            case "next seeding":
                return self._next_seeding()
            case "work":
                return self.work["day"] if self.work else None
        raise ValueError(f"'{name}' is no day of a season")

    def _next_seeding(self) -> date | None:
        """Return the next seeding; one that is overdue may still come any day."""
        if self.after is None:
            return None
        expected = self.after["seeding_expected"]
        return self.next_seeded or (max(expected, self.day) if expected else None)

    def rows(self, table: str, first: date | None, last: date | None, by: str = "day") -> list[Row]:
        """Return the field's rows from ``first`` to ``last``, none later than the day."""
        last = min(last or self.day, self.day)
        if first is None or first > last:
            return []
        found = self.tables(table, field=self.field).filter(pl.col(by).is_between(first, last))
        return found.sort(by).to_dicts()

    def in_season(self, table: str) -> list[Row]:
        """Return the field's rows from seeding to harvest."""
        return self.rows(table, self.seeded, self.harvested)

    @cached_property
    def work(self) -> Row | None:
        """Return the practice's operation on the treated strip between this harvest and the next seeding."""
        practices = self.tables("field", field=self.field)["practice"].to_list()
        ends = self.harvested, self.next_seeded
        found = [
            row
            for row in self.rows("operation", *ends)
            if row["strip"] == "treated" and row["practice"] in practices
        ]
        return found[-1] if found else None

    @cached_property
    def out(self) -> list[Row]:
        """Return the probes that are out of the soil on the day: the last spell of each strip."""
        return [row for row in self._last_spells() if row["to_day"] and row["to_day"] < self.day]

    @cached_property
    def has_probe(self) -> bool:
        """Return whether a probe stood in the field before the day."""
        return bool(self._last_spells())

    def stood_through(self, day: date) -> list[Row]:
        """Return the probes that stood in the field on a day and on the days about it."""
        spells = self.tables("probe_spell", field=self.field)
        ahead = day + timedelta(days=1)
        covers = (pl.col("from_day") < day) & (
            pl.col("to_day").is_null() | (pl.col("to_day") > min(ahead, self.day))
        )
        return spells.filter(covers).sort("strip", descending=True).to_dicts()

    def _last_spells(self) -> list[Row]:
        spells = self.tables("probe_spell", field=self.field)
        begun = spells.filter(pl.col("from_day") <= self.day).sort("from_day")
        return begun.unique("strip", keep="last", maintain_order=True).to_dicts()

    @cached_property
    def between(self) -> Row | None:
        """Return the latest row of ``between_crops_day`` after this harvest, a fortnight old at most."""
        rows = self.rows("between_crops_day", self.day - timedelta(days=14), self.day)
        mine = [row for row in rows if row["season"] == self.season]
        return mine[-1] if mine else None
