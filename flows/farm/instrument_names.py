"""The instruments of the farm by every word that stands for them."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Protocol

from schemas.farm.farm import Farm


class Named(Protocol):
    """A station or a probe."""

    @property
    def name(self) -> str: ...  # noqa: D102
    @property
    def ids(self) -> tuple[str, ...]: ...  # noqa: D102


def folded(word: str) -> str:
    """Return a name as it is compared: accented letters whole (NFC), no blanks around, no capitals."""
    return unicodedata.normalize("NFC", word).strip().casefold()


def by_word(instruments: Iterable[Named]) -> dict[str, str]:
    """Return the name behind each word (a name or an id), accented letters whole (NFC) and in parts (NFD)."""
    found: dict[str, str] = {}
    for one in instruments:
        for word in (one.name, *one.ids):
            for form in ("NFC", "NFD"):
                found[unicodedata.normalize(form, word).strip().casefold()] = one.name
    return found


@dataclass(frozen=True, slots=True)
class InstrumentNames:
    """The stations and the probes of a farm by every word that stands for them."""

    stations: dict[str, str]
    probes: dict[str, str]

    @classmethod
    def of_farm(cls, farm: Farm) -> InstrumentNames:
        """Return the names of a farm file."""
        return InstrumentNames(by_word(farm.stations), by_word(farm.probes))

    def named(self, kind: str, word: str) -> str | None:
        """Return the instrument that a word (its name or one of its ids) stands for."""
        return (self.stations if kind == "station" else self.probes).get(word.strip().casefold())
