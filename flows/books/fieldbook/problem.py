"""What is wrong in a field book, one line a fault."""

from dataclasses import dataclass
from typing import Literal

from schemas.did_you_mean import nearest

Extent = Literal["book", "image", "sheet", "row", "value", "none"]

_LOST: dict[Extent, str] = {
    "book": "The book was not read.",
    "image": "The image was not used.",
    "sheet": "The sheet was not used.",
    "row": "The row was left out.",
    "value": "The value was left out, the rest of the row stands.",
    "none": "The row is used as it stands.",
}


@dataclass(frozen=True, slots=True, order=True)
class Problem:
    """One fault: where it stands, what was found, what was expected, and how much was left out.

    ``row`` is the row as the spreadsheet counts it, 0 for the whole sheet; ``column`` the heading
    as written, empty for the whole row. ``cause`` is short and the same for the same fault.
    ``rows``: how many rows a fault of a heading costs.
    """

    sheet: str
    row: int
    column: str
    cause: str
    found: str
    expected: str
    extent: Extent = "row"
    rows: int = 0

    @property
    def sentence(self) -> str:
        """The fault as a person reads it."""
        kind = "image" if self.extent == "image" else "sheet"
        where = [f"{kind} {self.sheet}"] if self.sheet else []
        where += [f"row {self.row}"] if self.row else []
        where += [f"column {self.column}"] if self.column else []
        found = f" Found {self.found}." if self.found else ""
        return (
            f"{', '.join(where) or 'Field book'}: {self.cause}.{found}"
            f" Expected {self.expected}. {self._lost}"
        )

    @property
    def _lost(self) -> str:
        if not self.rows or self.extent not in ("row", "value"):
            return _LOST[self.extent]
        one, several = ("pass", "passes") if self.sheet == "passes" else ("row", "rows")
        number = f"1 {one}" if self.rows == 1 else f"{self.rows:,} {several}"
        verb = "was" if self.rows == 1 else "were"
        if self.extent == "row":
            return f"{number} {verb} left out."
        return f"Its values were left out; {number} {verb} used without them."


class Rejected(Exception):
    """A whole file that cannot be read: cause, found, expected, as a Problem has them."""

    def __init__(self, cause: str, found: str, expected: str) -> None:
        super().__init__(cause, found, expected)
        self.cause, self.found, self.expected = cause, found, expected

    def of(self, name: str) -> Problem:
        """Return the problem of the file ``name``."""
        return Problem(name, 0, "", self.cause, self.found, self.expected, "book")


def nearest_or_all(word: str, known: list[str], many: str) -> str:
    """Return what to write instead of an unknown word: the nearest known ones, else all of them."""
    near = " or ".join(nearest(word, known, most=2, likeness=0.6))
    return near or (f"{many}: {', '.join(known)}" if known else many)


def shown(value: object) -> str:
    """Return a cell as the message shows it, not too long."""
    text = repr(value) if isinstance(value, str) else str(value)
    return text if len(text) <= 60 else text[:57] + "..."
