"""Asks which instrument wrote the files, where it stood, and since when."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Any

from flows.base.errors import UserError
from flows.farm.instrument_names import by_word
from flows.setup.add.looked import Look
from flows.setup.questions import Question, Script, some
from schemas.farm.farm import Farm
from schemas.quantities import Instrument

ROLES = {"treated": "the strip that was worked", "check": "the strip beside it"}
NOT_ON_TRIAL = ("none", "not on a trial: a long record, a neighbor")
CHECK_WORDS = re.compile(r"(?i)(?:^|[^a-z])(check|chk|ck|control|untreated)(?:[^a-z]|$)")
TREATED_WORDS = re.compile(r"(?i)(?:^|[^a-z])(treated|trt|treatment|worked)(?:[^a-z]|$)")
DATES = re.compile(r"\d{4}[-_. ]?(?:\d\d(?:[-_. ]?\d\d)?)?|\d{6,}")


@dataclass(frozen=True, slots=True)
class Known:
    """What the farm has: instruments by word, fields, their strips and role, and who stands where."""

    farm: Farm
    fields: tuple[str, ...]
    strips: Mapping[str, Mapping[str, str]] = field(default_factory=dict)

    def strips_of(self, of_field: str) -> dict[str, str]:
        """Return the strips of a field and what each is: of the book, else treated and check."""
        by_name = {name.casefold(): own for name, own in self.strips.items()}
        own = by_name.get(of_field.casefold(), {})
        return {name: ROLES.get(name, f"{role} strip") for name, role in own.items()} or ROLES

    def named(self, kind: Instrument, word: str) -> str | None:
        """Return the instrument that a word stands for."""
        return by_word(self._of(kind)).get(word.strip().casefold())

    def names(self, kind: Instrument) -> list[str]:
        """Return the names of the instruments of a kind."""
        return [one.name for one in self._of(kind)]

    def taken(self, kind: Instrument, of_field: str) -> set[str]:
        """Return the strips of a field that have an instrument of the kind."""
        spells = [spell for one in self._of(kind) for spell in one.spells]
        return {str(spell.strip) for spell in spells if spell.field == of_field}

    def _of(self, kind: Instrument) -> Sequence[Any]:
        return self.farm.stations if kind is Instrument.STATION else self.farm.probes


def of_places(seen: Look, known: Known, first: date) -> Script:
    """Ask which instrument it is and where it stood since when; of several, where each did."""

    def script(found: Mapping[str, str]) -> Iterator[Question]:
        new = [word for word in seen.words if not _all_known(seen, known, word)]
        if not seen.words:
            yield _instrument(seen, known)
            new = [] if _all_known(seen, known, found["instrument"]) else [found["instrument"]]
            hints = [found["instrument"], *(file.stem for file in seen.files)]
        for word in new:
            suffix = f" {word}" if seen.words else ""
            hints = [word, *(file.stem for file in seen.files)] if seen.words else hints
            yield _field(seen, known, word, hints, suffix)
            if found[f"field{suffix}"]:
                yield _strip(seen, known, word, hints, suffix, found[f"field{suffix}"])
        if new:
            yield Question(
                "since",
                "Since when "
                + ("did they stand there?" if len(new) > 1 else "did it stand there?"),
                first.isoformat(),
                why="The first reading is of that day.",
                check=_day,
            )

    return script


def _all_known(seen: Look, known: Known, word: str) -> bool:
    return all(known.named(kind, word) is not None for kind in seen.kinds)


def _instrument(seen: Look, known: Known) -> Question:
    kinds = " and ".join(kind.value for kind in seen.kinds)
    own = sorted({name for kind in seen.kinds for name in known.names(kind)})
    named = _name_of(seen.files, set(own), seen.kinds[0].value)
    choices = [(named, f"a new {kinds}"), *((name, "is in farm.toml already") for name in own)]
    return Question(
        "instrument",
        f"Which {kinds} wrote {_and([file.name for file in seen.files])}? A name of your own will do.",
        named,
        tuple(dict(choices).items()),
        open=True,
        check=_some_name,
    )


def _name_of(files: Sequence[Path], taken: set[str], kind: str) -> str:
    """Return a name out of the files' names: what they share, without dates."""
    stems = [re.sub(r"[_\s]+", " ", DATES.sub(" ", file.name.partition(".")[0])) for file in files]
    words = [word for word in stems[0].split() if all(word in stem.split() for stem in stems)]
    name = " ".join(words).strip(" -") or f"{kind} 1"
    number, free = 1, name
    while free in taken:
        number += 1
        free = f"{re.sub(r' [0-9]+$', '', name)} {number}"
    return free


def _field(seen: Look, known: Known, word: str, hints: list[str], suffix: str) -> Question:
    probe = Instrument.PROBE in seen.kinds
    text = " ".join(hints).casefold().replace("_", " ")
    named = [f for f in known.fields if f.casefold() in text]
    proposed = named[0] if named else known.fields[0] if len(known.fields) == 1 else ""
    if not proposed and not probe:
        proposed = "none"
    choices = [(name, "") for name in known.fields] + ([] if probe else [NOT_ON_TRIAL])
    return Question(
        f"field{suffix}",
        f"Which field is {word} in?",
        proposed,
        tuple(choices),
        open=True,
        why="" if known.fields else "As it is, or will be, called in the field book.",
        check=lambda name: "" if name.casefold() == "none" and not probe else some(name),
    )


def _strip(  # noqa: PLR0917
    seen: Look, known: Known, word: str, hints: list[str], suffix: str, field: str
) -> Question:
    text = " ".join(hints)
    strips = known.strips_of(field)
    side = _named_strip(text, list(strips))
    taken = known.taken(seen.kinds[-1], field)
    free = [name for name in strips if name not in taken]
    why = ""
    if not side and taken and len(free) == 1:
        side = free[0]
        others = _and([name for name in strips if name != side])
        kind = seen.kinds[-1].value
        if len(strips) == 2:
            why = f"The {others} strip of {field} has a {kind} already."
        else:
            why = f"The strips {others} of {field} have a {kind} already."
    asked = f"Which strip of {field} is {word} in?"
    return Question(f"strip{suffix}", asked, side, tuple(strips.items()), why=why)


def _named_strip(text: str, strips: list[str]) -> str:
    """Return the strip that the words name: by its own name, the longest first, else by its role."""
    plain = f" {_plain(text)} "
    for name in sorted(strips, key=len, reverse=True):
        if name not in ROLES and f" {_plain(name)} " in plain:
            return name
    side = "check" if CHECK_WORDS.search(text) else "treated" if TREATED_WORDS.search(text) else ""
    return side if side in strips else ""


def _plain(text: str) -> str:
    return " ".join(re.findall(r"[^\W_]+", text.casefold()))


def _day(word: str) -> str:
    try:
        return date.fromisoformat(word.strip()).isoformat()
    except ValueError:
        raise UserError(f"'{word}': expected a day such as 2024-04-20.") from None


def _some_name(word: str) -> str:
    name = some(word)
    if re.search(r"[\x00-\x1f/\\]", name) or len(name) > 80:
        raise UserError(f"'{name}': expected 1 to 80 characters without / and \\.")
    return name


def _and(words: Sequence[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"
