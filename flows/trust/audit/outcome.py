"""What is asked of a table by counting, and what one expectation came to."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Literal

Severity = Literal["failure", "warning"]
State = Literal["held", "failed", "not evaluated"]


@dataclass(frozen=True, slots=True)
class CountCheck:
    """One expectation of a whole table, and SQL that counts its rows and those that break it.

    ``words`` is what is expected, ``said`` what a miss means. The query gives one row: ``looked``,
    ``unmet`` and some ``examples``.
    """

    table: str
    words: str
    said: str
    query: str
    severity: Severity = "failure"


@dataclass(frozen=True, slots=True)
class Outcome:
    """One expectation and its state; ``column`` is empty if it is about a whole table.

    ``looked_at`` is when the rows were last looked at, which may be in an earlier audit.
    """

    table: str
    expectation: str
    column: str
    state: State
    severity: Severity = "failure"
    looked: int | None = None
    unmet: int | None = None
    examples: str | None = None
    said: str | None = None
    looked_at: datetime | None = None
