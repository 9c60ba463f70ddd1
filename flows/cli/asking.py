"""Asks questions at a terminal, a line each.

By the prompts of the library that makes the command line: no colors, no cursor movement, no menu
that is drawn again, so a screen reader reads them as they come and a pipe can answer them.
"""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

import typer

from flows.base.errors import UserError
from flows.base.plain_text import plain
from flows.cli.base import say

if TYPE_CHECKING:
    from flows.setup.questions import Question


def at_terminal() -> bool:
    """Return whether somebody can be asked."""
    return sys.stdin.isatty() and sys.stdout.isatty()


def ask(question: Question) -> str:
    """Ask until the answer is one that the question takes; Enter takes the proposed one."""
    say(f"\n{question.text}" + (f"\n  {question.why}" if question.why else ""))
    for number, (choice, words) in enumerate(question.choices, 1):
        say(f"  {number}  {choice}" + (f": {words}" if words else ""))

    def checked(written: str) -> str:
        try:
            return question.answer(written)
        except UserError as error:
            raise typer.BadParameter(plain(str(error))) from None

    hint = "number or answer" if question.choices else "answer"
    answer: str = typer.prompt(
        plain(f"  {hint}"),
        default=plain(question.proposed),
        show_default=bool(question.proposed),
        value_proc=checked,
    )
    return answer


def agree(text: str) -> bool:
    """Ask a yes or no; Enter is yes."""
    return bool(typer.confirm(plain(text), default=True))
