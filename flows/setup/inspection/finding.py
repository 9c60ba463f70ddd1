"""One thing that was looked at: a sentence, how grave it is, and what to do."""

from dataclasses import dataclass
from functools import partial
from typing import Literal

Severity = Literal["attention", "advice", "fine"]


@dataclass(frozen=True, slots=True)
class Finding:
    """``about`` names the part of the set-up; ``do`` is empty where all is fine."""

    severity: Severity
    about: str
    sentence: str
    do: str = ""


# As it should be.
fine = partial(Finding, "fine")
# Something is lost or will go wrong until it is seen to.
attention = partial(Finding, "attention")
# It works, and could be better or safer.
advice = partial(Finding, "advice")
