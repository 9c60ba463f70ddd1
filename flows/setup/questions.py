"""Questions that a command asks, each with a proposed answer: by flag, at a terminal, or neither."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass

from flows.base.errors import UserError

Checked = Callable[[str], str]


@dataclass(frozen=True, slots=True)
class Question:
    """One question. ``key`` is also the name of the flag that answers it.

    ``proposed`` is the answer if nobody says otherwise, empty if there is none to propose.
    ``choices``: answers with what they mean; ``open`` says that others are taken too. ``why`` is a
    sentence of evidence. ``check`` returns the answer in its proper form, or raises UserError.
    """

    key: str
    text: str
    proposed: str = ""
    choices: tuple[tuple[str, str], ...] = ()
    open: bool = False
    why: str = ""
    check: Checked = str.strip

    def answer(self, written: str) -> str:
        """Return the answer that was meant: a choice by its number or its word, or free text.

        Raises UserError, with what was expected.
        """
        word = written.strip()
        if self.choices:
            words = [choice for choice, _ in self.choices]
            if word.isdecimal() and 1 <= int(word) <= len(words):
                word = words[int(word) - 1]
            found = [choice for choice in words if choice.casefold() == word.casefold()]
            if found:
                return self.check(found[0])
            if not self.open:
                raise UserError(f"'{written}': expected {' or '.join(words)}.")
        return self.check(word)


Ask = Callable[[Question], str]
# Asks one question after the other; a later one may look at the answers found so far.
Script = Callable[[Mapping[str, str]], Iterator[Question]]


def proposed(question: Question) -> str:
    """Answer as proposed: for scripts, and if there is no terminal. Raises UserError."""
    return question.answer(question.proposed)


def answered(script: Script, given: Mapping[str, str | None], ask: Ask) -> dict[str, str]:
    """Return an answer to each question: that of its flag, else what ``ask`` brings.

    Raises UserError if a flag's value is none that the question takes.
    """
    found: dict[str, str] = {}
    for question in script(found):
        # of several instruments a flag answers for all
        flag = given.get(question.key, given.get(question.key.partition(" ")[0]))
        if flag is None:
            found[question.key] = ask(question)
            continue
        try:
            found[question.key] = question.answer(flag)
        except UserError as error:
            raise UserError(f"--{question.key.replace('_', '-')} {error}") from None
    return found


def pairs(written: Iterable[str]) -> dict[str, str]:
    """Return answers written as KEY=ANSWER. Raises UserError."""
    found = {}
    for pair in written:
        key, sign, answer = pair.partition("=")
        if not sign:
            raise UserError(f"--answer {pair}: expected KEY=ANSWER, such as 'unit Rain=inch'.")
        found[key.strip()] = answer.strip()
    return found


def some(word: str) -> str:
    """Return an answer that must not be empty. Raises UserError."""
    if not word.strip():
        raise UserError("expected an answer.")
    return word.strip()
