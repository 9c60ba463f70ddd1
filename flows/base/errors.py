"""What goes wrong in a way that the user can put right."""

import errno

_FULL = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)
# What DuckDB raises if the disk refuses; the last for a commit.
_DATABASE_ERRORS = (
    "IOException",
    "OutOfMemoryException",
    "FatalException",
    "InternalException",
    "TransactionException",
)


class UserError(Exception):
    """A mistake of the user or of the set-up, in plain sentences; the command exits with 2."""


class Busy(UserError):
    """Another Checkstrip is writing to this farm folder."""


class Attention(Exception):
    """Something went wrong that needs attention, in plain sentences; the command exits with 1."""


def of_the_disk(error: BaseException) -> str | None:
    """Return what a disk, a network drive or the database on it refused, in sentences.

    None for any other error. The database's errors are known by their module's name, so that it
    need not be imported.
    """
    nothing_lost = "Nothing half-done was kept, and no file was lost."
    if isinstance(error, OSError) and error.errno is not None:
        path = f" {error.filename}" if error.filename else ""
        if error.errno in _FULL:
            return f"The disk is full (writing{path}). {nothing_lost} Make room, then run it again."
        return (
            f"The file or folder{path} could not be read or written ({error.strerror}). {nothing_lost} "
            "Look at the disk or the share and at the rights to it, then run it again."
        )
    if type(error).__module__.partition(".")[0] in ("duckdb", "_duckdb") and (
        type(error).__name__ in _DATABASE_ERRORS
    ):
        first = str(error).strip().partition("\n")[0].rstrip(".")
        return f"The warehouse could not be read or written ({first}). {nothing_lost} Then run it again."
    return None
