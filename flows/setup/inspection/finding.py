"""One thing that was looked at: a sentence, how grave it is, and what to do."""

from dataclasses import dataclass
from typing import Literal

Severity = Literal["attention", "advice", "fine"]


@dataclass(frozen=True, slots=True)
class Finding:
    """``about`` names the part of the set-up; ``do`` is empty where all is fine."""

    severity: Severity
    about: str
    sentence: str
    do: str = ""


def fine(about: str, sentence: str) -> Finding:
    """As it should be."""
    return Finding("fine", about, sentence)


def attention(about: str, sentence: str, do: str) -> Finding:
    """Something is lost or will go wrong until it is seen to."""
    return Finding("attention", about, sentence, do)


def advice(about: str, sentence: str, do: str) -> Finding:
    """It works, and could be better or safer."""
    return Finding("advice", about, sentence, do)
