"""Facts that a file says once, above its headings: its station or probe, a sensor, a depth."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

import polars as pl

from flows.intake.readers.chunk import Unreadable
from schemas.farm.layout import Fact, Layout

PARTS = re.compile(r"[\s,;]+")
CELL_ENDS = re.compile(r"[,;\t]| {2,}")


def facts(lines: Sequence[str], layout: Layout) -> dict[str, str]:
    """Return role → its fact, from the lines above the headings; raises Unreadable if one is missing."""
    return {role: _found(lines, role, fact) for role, fact in layout.facts.items()}


def with_facts(frame: pl.DataFrame, known: Mapping[str, str]) -> pl.DataFrame:
    """Return rows with the facts of their file as columns."""
    return frame.with_columns(pl.lit(fact).alias(role) for role, fact in known.items())


def _found(lines: Sequence[str], role: str, fact: Fact) -> str:
    if fact.after is not None:
        for line in lines:
            at = line.casefold().find(fact.after.casefold())
            if at >= 0:
                rest = line[at + len(fact.after) :].lstrip(' \t:=,;"')
                if word := CELL_ENDS.split(rest)[0].strip(' "'):
                    return word
        raise Unreadable("no such fact", _shown(lines), f"'{fact.after}' and the {role} behind it")
    assert fact.line is not None
    assert fact.word is not None
    words = PARTS.split(lines[fact.line - 1].strip()) if fact.line <= len(lines) else []
    if fact.word > len(words):
        expected = f"the {role} as word {fact.word} of line {fact.line}"
        raise Unreadable("no such fact", _shown(lines), expected)
    return words[fact.word - 1].strip('"')


def _shown(lines: Sequence[str]) -> str:
    return " / ".join(line.strip() for line in lines)[:200] or "no lines above the headings"
