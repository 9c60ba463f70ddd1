"""Tables as text for a terminal: columns aligned, two spaces apart.

Not by rich: an answer of many rows took it a hundred times as long (bench: five thousand rows of
six columns, seconds against hundredths of one).
"""

from __future__ import annotations

from collections.abc import Container, Sequence


def text_table(
    rows: Sequence[Sequence[str]], right: Container[int] = (), heading: Sequence[str] = ()
) -> list[str]:
    """Return the rows as aligned lines, below the ``heading`` and a rule if there is one.

    The columns whose place (from 0) is in ``right`` are aligned right, as numbers are.
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
