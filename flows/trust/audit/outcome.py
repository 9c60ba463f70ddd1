"""What one expectation came to."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Severity = Literal["failure", "warning"]
State = Literal["held", "failed", "not evaluated"]


@dataclass(frozen=True, slots=True)
class Outcome:
    """One expectation and its state; ``column`` is empty where it is of a whole table."""

    table: str
    expectation: str
    column: str
    state: State
    severity: Severity = "failure"
    looked: int | None = None
    unmet: int | None = None
    examples: str | None = None
    said: str | None = None
