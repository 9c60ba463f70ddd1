"""What goes wrong in a way that the user can put right."""

from __future__ import annotations


class UserError(Exception):
    """A mistake of the user or of the set-up, told in plain sentences; the command exits with 2."""


class Busy(UserError):
    """Another Checkstrip is writing to this farm folder."""


class Attention(Exception):
    """Something went wrong that needs a look; told in plain sentences, the command exits with 1."""
