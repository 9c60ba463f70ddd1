"""Make text fit to show: what a terminal would obey is spelled out, and tables are aligned.

File names, cells and responses are written by strangers. An escape sequence in one could recolor,
overwrite or hide the text beside it (CWE-150).
"""

import logging
import re
from collections.abc import Container, Sequence

# C0 but tab and line feed, delete and C1 (ECMA-48), marks that turn the direction of writing
# (Unicode Bidirectional Algorithm), line and paragraph separators, halves of pairs (a name in no
# known encoding).
_OBEYED = re.compile(
    r"[\x00-\x08\x0b-\x1f\x7f-\x9f\u200e\u200f\u2028-\u202e\u2066-\u2069\ud800-\udfff]"
)


def plain(text: str) -> str:
    """Return ``text`` with every character that is obeyed rather than shown as an escape."""
    return _OBEYED.sub(lambda found: found.group().encode("unicode_escape").decode("ascii"), text)


_PLURALS = {"entry": "entries", "copy": "copies", "delivery": "deliveries", "pass": "passes"}


def noun(number: int, one: str) -> str:
    """Return ``one`` as it is after ``number``: '1 row', '0 rows', '2 entries'."""
    return one if number == 1 else _PLURALS.get(one, f"{one}s")


def counted(number: int, one: str) -> str:
    """Return a count with its noun, such as '1 row' or '1,204 rows'."""
    return f"{number:,} {noun(number, one)}"


class Lines(logging.Formatter):
    """Log lines in which a message cannot pretend to be another line."""

    def format(self, record: logging.LogRecord) -> str:
        """Return one line, and any further lines indented below it."""
        first, *more = super().format(record).split("\n")
        return "\n".join(plain(line) for line in (first, *(f"    {line}" for line in more)))


def text_table(
    rows: Sequence[Sequence[str]], right: Container[int] = (), heading: Sequence[str] = ()
) -> list[str]:
    """Return the rows as aligned lines, below the ``heading`` and a rule if there is one.

    The columns whose place (from 0) is in ``right`` are aligned right, as numbers are. Not by rich:
    an answer of many rows took it a hundred times as long (bench: five thousand rows of six columns,
    seconds against hundredths of one).
    """
    widths = [max(map(len, column)) for column in zip(*filter(None, [heading, *rows]), strict=True)]
    top = [heading, ["-" * width for width in widths]] if heading else []
    return [
        "  ".join(
            cell.rjust(width) if place in right else cell.ljust(width)
            for place, (cell, width) in enumerate(zip(row, widths, strict=True))
        ).rstrip()
        for row in [*top, *rows]
    ]
