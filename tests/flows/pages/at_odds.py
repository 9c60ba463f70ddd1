"""Sentences and rows of a table whose interval and verdict are at odds, with no reason beside them."""

from __future__ import annotations

import re

from flows.pages.cells import Cell, Grid

INTERVAL = re.compile(r"95% interval ([+-]?[\d.]+)[^)]*? to ([+-]?[\d.]+)")
SURE = ("That is a gain", "That is a loss", "It has paid", "It has not paid", "verdict: gain")
SURE += ("verdict: loss",)
UNSURE = ("not shown", "Cannot tell", "probably", "not tested", "no test", "before the work")
REASONS = ("what differs is the ground", "so this is no test", "too few passes have shown")
REASONS += ("Part of the cost", "of one side", "less sure than its own interval", "can be chance")


# What of a table's row could be at odds: the verdicts that show a difference, and the interval's ends.
ENDS_OF_GRIDS = {
    "response_pooled": (("gain", "loss"), "verdict_low_pct", "verdict_high_pct"),
    "response": (("gain", "loss"), "response_low_kg_ha", "response_high_kg_ha"),
    "payback": (("paid", "not paid"), "cumulative_low_per_ha", "cumulative_high_per_ha"),
}
SHOWN_AT = re.compile(r"It is shown at ([^.]*), not at the others")


def contradictions(lines: list[str]) -> list[str]:
    """Sentences whose interval and verdict are at odds, with no reason in them."""
    return [text for text in lines if looks_at_odds(text) and not any(r in text for r in REASONS)]


def looks_at_odds(text: str) -> bool:
    """Whether any interval of a sentence is at odds with the verdict that is said of it."""
    return any(_odd(text, *found) for found in intervals(text))


def intervals(text: str) -> list[tuple[str, float, float]]:
    """Each interval, after the words before it (a depth, in a sentence of several)."""
    ends = [(m.start(), *map(float, m.groups())) for m in INTERVAL.finditer(text)]
    starts = [0, *(at for at, _, _ in ends)]
    return [(text[a:at], low, high) for a, (at, low, high) in zip(starts, ends, strict=False)]


def _odd(text: str, before: str, low: float, high: float) -> bool:
    apart = low > 0 or high < 0
    if some := SHOWN_AT.search(text):
        depths = re.findall(r"[\d.]+", some[1])
        at = re.findall(r"at ([\d.]+)", before)[-1]
        return (at in depths) != apart
    if 0 in (low, high):
        return False  # an end that is rounded to 0 lies on either side
    sure = any(s in text for s in SURE)
    return (sure and not apart) or (not sure and apart and any(u in text for u in UNSURE))


def grid_contradictions(grid: Grid, said: list[str]) -> list[str]:
    """Rows of a table with an interval and a verdict at odds, of which no sentence beside it says why."""
    found = []
    for row in grid.rows:
        cells = {
            (one.table, one.column): one for part in row for one in part if isinstance(one, Cell)
        }
        for table, (shown, low, high) in ENDS_OF_GRIDS.items():
            verdict, *ends = (cells.get((table, name)) for name in ("verdict", low, high))
            if verdict is None or None in ends or ends[0].value is None:
                continue
            apart = ends[0].value > 0 or ends[1].value < 0
            if verdict.value == "too few" or (verdict.value in shown) == apart:
                continue
            key = dict(verdict.key)
            named = [text for text in said if any(reason in text for reason in REASONS)]
            names = [str(key[name]) for name in ("field", "season", "member") if name in key]
            if not any(names[-1] in text or names[0] in text for text in named):
                found.append(f"{table} {' '.join(names)}")
    return found
