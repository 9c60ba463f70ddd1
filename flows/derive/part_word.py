"""What the rows of a table depend on, as its module says it in ``PART`` and ``MARGIN_MONTHS``."""

from __future__ import annotations

from dataclasses import dataclass

from flows.derive.hashed import COMPUTED, By
from schemas.table import Table

SEASON, YEAR = "season", "year"
ALL = "all"  # the place of tables whose rows depend on those of all places, in their span


@dataclass(frozen=True, slots=True)
class Word:
    """What a table's rows depend on: the column that names a place, which span of it, months beside it."""

    place: str
    span: str = ""
    months_before: int = 0
    months_after: int = 0

    @classmethod
    def of(cls, text: str, margin_months: int | tuple[int, int] = 0) -> Word | None:
        """Return what ``PART`` and ``MARGIN_MONTHS`` of a module say; None if they say nothing."""
        place, _, span = text.partition(" ")
        both = margin_months if isinstance(margin_months, tuple) else (margin_months, margin_months)
        return cls(place, span, *both) if place else None

    def by(self, table: Table) -> By:
        """Return what the rows of a table are divided by."""
        place = self.place if self.by_place(table) else ""
        return By(place, self.by_day(table), self.by_season(table))

    def by_place(self, table: Table) -> bool:
        """Return whether a table's rows say of which place they are."""
        return self.place in table.names

    def tells_parts(self, table: Table) -> bool:
        """Return whether a source's rows tell which parts there are, and how large each is."""
        return self.by_place(table) or (self.place == ALL and self.by_day(table))

    def by_season(self, table: Table) -> bool:
        """Return whether a table's rows go by their season, whatever their day."""
        return self.span == SEASON and table.tier in COMPUTED and SEASON in table.key

    def by_day(self, table: Table) -> bool:
        """Return whether a table's rows go by their day."""
        timed = self.span and table.tier in COMPUTED and not self.by_season(table)
        return bool(timed) and "day" in table.names
