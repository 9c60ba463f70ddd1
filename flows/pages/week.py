"""Weeks: Monday to Sunday, named as ISO 8601 has it in files and commands, by their days on pages."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from flows.base.errors import UserError
from flows.pages.cells import MONTHS, Frame, written

_NAME = re.compile(r"^(\d{4})-?W(\d{1,2})$", re.IGNORECASE)


@dataclass(frozen=True, slots=True, order=True)
class Week:
    """One week."""

    monday: date

    @classmethod
    def of(cls, day: date) -> Week:
        """Return the week of a day."""
        return cls(day - timedelta(days=day.weekday()))

    @classmethod
    def named(cls, name: str) -> Week:
        """Return the week of a name like 2025-W23; raise UserError if it is not one."""
        found = _NAME.match(name.strip())
        try:
            if found:
                return cls(date.fromisocalendar(int(found[1]), int(found[2]), 1))
        except ValueError:
            pass
        raise UserError(f"'{name}' is not a week. Write year and week as in 2025-W23.")

    @classmethod
    def last_whole(cls, now: datetime, zone: str) -> Week:
        """Return the last week that is over, by the farm's clock."""
        return cls(cls.of(now.astimezone(ZoneInfo(zone)).date()).monday - timedelta(days=7))

    @property
    def sunday(self) -> date:
        """Return its last day."""
        return self.monday + timedelta(days=6)

    @property
    def name(self) -> str:
        """Return its name, as in 2025-W23."""
        year, week, _ = self.monday.isocalendar()
        return f"{year}-W{week:02}"

    @property
    def frame(self) -> Frame:
        """Return its days for a heading, such as 7 to 13 July 2025."""
        first, last = self.monday, self.sunday
        start = str(first.day)
        if first.month != last.month:
            start += f" {MONTHS[first.month - 1]}"
        if first.year != last.year:
            start += f" {first.year}"
        return Frame(f"{start} to {written(last)}")
