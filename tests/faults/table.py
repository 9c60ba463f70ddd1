"""What an experiment found: a table of figures and the sentences of what went wrong."""

from __future__ import annotations

import time
from dataclasses import asdict, dataclass, field
from typing import Any


class Clock:
    """How long an experiment may take; one that has no end set runs to its own."""

    end: float | None = None

    @classmethod
    def limit(cls, minutes: float | None) -> None:
        """Set the end from now."""
        cls.end = None if minutes is None else time.monotonic() + 60 * minutes

    @classmethod
    def over(cls) -> bool:
        """Whether time is up."""
        return cls.end is not None and time.monotonic() > cls.end


@dataclass(slots=True)
class Found:
    """Figures of one experiment; ``wrong`` is empty where every promise held."""

    title: str
    head: str  # of the columns, as Markdown has them: "step | kills | letters"
    rows: list[tuple[Any, ...]] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    wrong: list[str] = field(default_factory=list)
    skipped: str = ""

    def as_dict(self) -> dict[str, Any]:
        """For JSON."""
        return asdict(self)

    def markdown(self) -> str:
        """For tests/bench/FIGURES.md."""
        lines = [f"### {self.title}", ""]
        if self.skipped:
            return "\n".join([*lines, f"Not run: {self.skipped}", ""])
        lines += [f"| {self.head} |", "|" + " --- |" * (self.head.count("|") + 1)]
        lines += ["| " + " | ".join(_cell(c) for c in row) + " |" for row in self.rows]
        for note in self.notes:
            lines += ["", note]
        if self.wrong:
            lines += ["", f"**{len(self.wrong)} wrong**, the first:", ""]
            lines += [f"- {told}" for told in self.wrong[:20]]
        return "\n".join([*lines, ""])


def _cell(value: object) -> str:
    return f"{value:,}" if isinstance(value, int) else str(value).replace("|", "/")
