"""Make text safe to show: what a terminal would obey instead of showing is spelled out.

File names, cells and responses are written by strangers. An escape sequence in one could recolor,
overwrite or hide the text beside it (CWE-150).
"""

from __future__ import annotations

import logging
import re

# C0 but tab and line feed, delete and C1 (ECMA-48), marks that turn the direction of writing
# (Unicode Bidirectional Algorithm), line and paragraph separators, halves of pairs (a name in no
# known encoding).
_OBEYED = re.compile(
    r"[\x00-\x08\x0b-\x1f\x7f-\x9f\u200e\u200f\u2028-\u202e\u2066-\u2069\ud800-\udfff]"
)


def plain(text: str) -> str:
    """Return ``text`` with every character that is obeyed rather than shown as an escape."""
    return _OBEYED.sub(lambda found: found.group().encode("unicode_escape").decode("ascii"), text)


class Lines(logging.Formatter):
    """Log lines in which a message cannot pretend to be another line."""

    def format(self, record: logging.LogRecord) -> str:
        """Return one line, and any further lines indented below it."""
        first, *more = super().format(record).split("\n")
        return "\n".join(plain(line) for line in (first, *(f"    {line}" for line in more)))
