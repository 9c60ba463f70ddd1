"""What a sniff found: each item with how sure it is and the evidence in a sentence."""

from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

import polars as pl


class Sure(StrEnum):
    """How sure an item is: only what is unsure becomes a question."""

    CERTAIN = "certain"
    LIKELY = "likely"
    UNSURE = "unsure"


@dataclass(frozen=True, slots=True)
class Finding:
    """One item of a layout: ``item`` is its key (``delimiter``, ``columns.Rain.unit``)."""

    item: str
    value: str
    sure: Sure
    evidence: str

    def __str__(self) -> str:
        """A line: how sure, what, and why."""
        mark = "?" if self.sure is Sure.UNSURE else " "
        return f"{mark} {self.sure.value:8} {self.item} = {self.value}: {self.evidence}"


@dataclass(slots=True)
class Grid:
    """An export taken apart into named columns of text, and the layout keys that do so.

    ``units`` holds what stood in a units row, ``later`` the headings of lines further down,
    ``above`` the lines over the headings.
    """

    names: list[str]
    rows: pl.DataFrame
    layout: dict[str, Any]
    units: list[str] = field(default_factory=list)
    later: list[str] = field(default_factory=list)
    found: list[Finding] = field(default_factory=list)
    above: list[str] = field(default_factory=list)
    place: tuple[float, float] | None = None

    def note(self, item: str, value: object, sure: Sure, evidence: str) -> None:
        """Add a finding."""
        self.found.append(Finding(item, str(value), sure, evidence))

    def note_again(self, item: str, value: object, sure: Sure, evidence: str) -> None:
        """Add a finding in place of what was found of the item before."""
        self.found = [finding for finding in self.found if finding.item != item]
        self.note(item, value, sure, evidence)


@dataclass(slots=True)
class Proposal:
    """A layout as the farm file has it, the findings behind it, and columns that were left out.

    ``place``: latitude and longitude that the file itself says, degrees.
    """

    layout: dict[str, Any]
    found: list[Finding]
    left_out: list[str] = field(default_factory=list)
    first_heading: str = ""
    place: tuple[float, float] | None = None

    @property
    def questions(self) -> list[Finding]:
        """What it is unsure of."""
        return [finding for finding in self.found if finding.sure is Sure.UNSURE]


class CannotSniff(Exception):
    """The file cannot be taken apart at all; the message says why."""
