"""What goes wrong in a way that the user can put right."""

from __future__ import annotations

import errno

_FULL = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)
# What DuckDB raises where the disk refuses; the last for a commit.
_OF_THE_DATABASE = (
    "IOException",
    "OutOfMemoryException",
    "FatalException",
    "InternalException",
    "TransactionException",
)


class UserError(Exception):
    """A mistake of the user or of the set-up, told in plain sentences; the command exits with 2."""


class Busy(UserError):
    """Another Checkstrip is writing to this farm folder."""


class Attention(Exception):
    """Something went wrong that needs a look; told in plain sentences, the command exits with 1."""


def of_the_disk(error: BaseException) -> str | None:
    """What a disk (or a share, or the database on it) refused, in sentences; None for all else.

    The database is known by its module's name, because it is not imported for that.
    """
    calm = "Nothing half-done was kept, and no file was lost."
    if isinstance(error, OSError) and error.errno is not None:
        path = f" {error.filename}" if error.filename else ""
        if error.errno in _FULL:
            return f"The disk is full (writing{path}). {calm} Make room, then run it again."
        return (
            f"The file or folder{path} could not be read or written ({error.strerror}). {calm} "
            "Look at the disk or the share and at the rights to it, then run it again."
        )
    if type(error).__module__.partition(".")[0] in ("duckdb", "_duckdb") and (
        type(error).__name__ in _OF_THE_DATABASE
    ):
        first = str(error).strip().partition("\n")[0].rstrip(".")
        return f"The warehouse could not be read or written ({first}). {calm} Then run it again."
    return None
