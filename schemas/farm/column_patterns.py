"""Columns of several instruments under one rule: ``P{probe}_VWC_20`` is a column of each probe.

The word in the heading is the instrument's name or one of its ids, as in a source's ``glob``.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from typing import Protocol

from schemas.farm.layout_parts import ColumnRule

PLACEHOLDER = re.compile(r"\{(station|probe)\}")


class Named(Protocol):
    """A station or a probe."""

    @property
    def name(self) -> str: ...  # noqa: D102
    @property
    def ids(self) -> tuple[str, ...]: ...  # noqa: D102


def fault(name: str, rule: ColumnRule) -> str:
    """Return what is wrong with a column's placeholders; empty if nothing is."""
    kinds = [PLACEHOLDER.findall(heading) for heading in (name, *rule.names)]
    if not any(kinds):
        return ""
    kind = rule.instrument.value
    if any(found != [kind] for found in kinds):
        return (
            f"column '{name}': {rule.quantity} is of a {kind}: write {{{kind}}} once, in the column "
            "and in each of its names"
        )
    if PLACEHOLDER.search(rule.flag or ""):
        return f"column '{name}': a flag column is of one column; name the columns whole"
    if rule.owner is not None:
        return (
            f"column '{name}': {{{kind}}} says whose column it is; take {kind} = '{rule.owner}' out"
        )
    return ""


def written_out(
    patterns: Mapping[str, ColumnRule],
    stations: Iterable[Named],
    probes: Iterable[Named],
    plain: Mapping[str, ColumnRule],
) -> dict[str, ColumnRule]:
    """Return a column for each pattern and instrument, unless one of its headings is ``plain``."""
    named_whole = {heading for name, rule in plain.items() for heading in (name, *rule.names)}
    instruments = {"station": list(stations), "probe": list(probes)}
    found: dict[str, ColumnRule] = {}
    for pattern, rule in patterns.items():
        kind = rule.instrument.value
        for one in instruments[kind]:
            headings = [
                heading.replace(f"{{{kind}}}", word)
                for heading in (pattern, *rule.names)
                for word in (one.name, *one.ids)
            ]
            first, *others = dict.fromkeys(headings)
            if first in found or not named_whole.isdisjoint(headings):
                continue
            found[first] = rule.model_copy(
                update={kind: one.name, "names": tuple(others), "optional": True}
            )
    return found


def of_nobody(
    headings: Iterable[str], patterns: Mapping[str, ColumnRule], made: Mapping[str, ColumnRule]
) -> list[str]:
    """Return headings that a pattern fits with a word of no instrument of the farm file.

    Only words of the shape of a known one (digits where it has digits), since ``P{probe}`` fits
    'Pressure' as well.
    """
    known = {heading.casefold() for name, rule in made.items() for heading in (name, *rule.names)}
    found = []
    for heading in headings:
        if heading.casefold() in known:
            continue
        for pattern in (p for name, rule in patterns.items() for p in (name, *rule.names)):
            words = _words(pattern, known)
            word = _word(pattern, heading.casefold())
            if word and _shape(word) in {_shape(one) for one in words}:
                found.append(heading)
                break
    return found


def _words(pattern: str, headings: Iterable[str]) -> list[str]:
    return [word for heading in headings if (word := _word(pattern, heading))]


def _word(pattern: str, heading: str) -> str:
    """Return what a heading has in the place of a pattern's placeholder; empty if it does not fit."""
    before, _, after = PLACEHOLDER.sub("\0", pattern).casefold().partition("\0")
    fits = heading.startswith(before) and heading.endswith(after)
    return heading[len(before) : len(heading) - len(after)] if fits else ""


def _shape(word: str) -> str:
    return re.sub(r"[^\W\d_]+", "a", re.sub(r"\d+", "0", word))
