"""Where a file's heading line is, and which column of the file each of the layout's columns is."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence

from flows.intake.readers import stated_units
from flows.intake.readers.chunk import Unreadable, is_needed, is_value, roles
from schemas.farm.layout import Layout

HEAD_LINES = 400  # a heading that has not come by this line is not looked for further


def heading_at(
    beginnings: Iterable[str], starts: str, *, of: str = "line", within: str = ""
) -> int:
    """Return the place of the first text that begins with ``starts``; raises Unreadable."""
    wanted = starts.strip().casefold()
    for place, beginning in enumerate(beginnings):
        if beginning.casefold().startswith(wanted):
            return place
    found = f"no {of} that begins with '{starts}'{within}"
    raise Unreadable("no heading line", found, f"a heading that begins with '{starts}'")


def joined_headings(rows: Sequence[Sequence[str]], width: int) -> list[str]:
    """Return one name a column from the heading rows, each name different from the others."""
    names: list[str] = []
    for place in range(width):
        words = (row[place].strip() for row in rows if place < len(row))
        name = " ".join(filter(None, words)) or f"column {place + 1}"
        names.append(name if name not in names else f"{name}#{names.count(name) + 1}")
    return names


def find_columns(
    names: Sequence[str],
    layout: Layout,
    alike: Callable[[str, str], bool],
    *,
    some: str = "one of",
) -> dict[str, int]:
    """Return role → place of its column: by the exact heading, else by one that is ``alike``.

    ``alike``: whether the layout's name and a heading of the file are the same. Raises Unreadable
    if no column has values, one that says what a row is of is not there, or a heading carries
    another unit than the layout.
    """
    exact = {name: i for i, name in reversed(list(enumerate(names)))}
    wanted = roles(layout)
    places = {
        role: exact[found]
        for role, headings in wanted.items()
        if (found := next((n for n in headings if n in exact), None)) is not None
    }
    shown = f"the headings {', '.join(names)}"[:500]
    for role in (role for role in wanted if role not in places):
        free = [(n, i) for i, n in enumerate(names) if i not in places.values()]
        near = [i for ours in wanted[role] for n, i in free if alike(ours, n)]
        if near:
            places[role] = near[0]
        elif is_needed(role, places):
            raise Unreadable("no such column", shown, f"a column '{wanted[role][0]}'")
    if not any(map(is_value, places)):
        raise no_values(shown, layout, some)
    stated_units.check_headings(names, places, layout)
    return places


def no_values(shown: str, layout: Layout, some: str = "one of") -> Unreadable:
    """Return the refusal of a file that has none of the layout's columns."""
    expected = f"{some} {', '.join(layout.columns)}"
    return Unreadable("none of the layout's columns", shown, expected)
