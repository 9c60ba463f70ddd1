"""The command line, called as a person calls it."""

from __future__ import annotations

import sys
from collections.abc import Callable

import pytest

from flows import cli

Run = Callable[..., tuple[int, str, str]]  # the words of a command → exit code, output, errors


def call(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, *words: object
) -> tuple[int, str, str]:
    """Exit code, output and errors of a command."""
    monkeypatch.setattr(sys, "argv", ["checkstrip", *map(str, words)])
    with pytest.raises(SystemExit) as ended:
        cli.main()
    out, err = capsys.readouterr()
    return int(ended.value.code or 0), out, err
