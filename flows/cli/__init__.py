"""The command line ``checkstrip``, without logic of its own; may import every room.

Each module of ``COMMANDS`` adds its commands to ``app``; a new command is a function in one of
them, or a module and its name here. For start-up time they import what they need when they run, so
that ``--help`` and a plain ``status`` wait for nothing else.
"""

from __future__ import annotations

import os
import sys
import traceback
from importlib import import_module
from io import TextIOWrapper

from flows.base import computing
from flows.base.errors import Attention, UserError, of_the_disk
from flows.base.plain_text import plain
from flows.cli.base import app

COMMANDS: tuple[str, ...] = (
    "start",
    "turn",
    "serve",
    "service",
    "ask",
    "set_up",
    "digest",
    "audit",
    "backup",
    "explain",
    "inspection",
    "plan",
    "year",
    "form",
    "network",
    "network_run",
)

for _name in COMMANDS:
    import_module(f"flows.cli.{_name}")

__all__ = ["app", "main"]


def main() -> None:
    """Run the command line: exit 0 fine, 1 something needs attention, 2 the user's mistake."""
    computing.settle()
    os.umask(os.umask(0o022) | 0o022)  # nobody else may write to what is made
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, TextIOWrapper):  # Windows: a code page that lacks most letters
            stream.reconfigure(errors="backslashreplace")
    try:
        app(prog_name="checkstrip")
    except UserError as error:
        _end(2, str(error))
    except Attention as error:
        _end(1, str(error))
    except KeyboardInterrupt:
        _end(1, "Stopped. Nothing half-done was kept; the next run takes it up again.")
    except BrokenPipeError:
        # Whoever read the answer (head, a pager) has had enough of it.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(0)
    except Exception as error:
        message = of_the_disk(error)
        if message is not None:
            _end(1, message)
        if os.environ.get("CHECKSTRIP_TRACEBACK"):
            raise
        _end(
            1,
            f"A fault of the program itself: {type(error).__name__}: {error}\n"
            f"(at {_where(error)}). The readings are safe. To see all of it, set "
            "CHECKSTRIP_TRACEBACK=1 and try again; please report it.",
        )


def _end(code: int, message: str) -> None:
    print(plain(message), file=sys.stderr)  # noqa: T201
    sys.exit(code)


def _where(error: Exception) -> str:
    frames = traceback.extract_tb(error.__traceback__)
    return f"{frames[-1].filename}:{frames[-1].lineno}" if frames else "an unknown place"
