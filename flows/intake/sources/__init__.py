"""Drop folders and web services, and which source of farm.toml a delivery belongs to; may import ``readers``, ``door``
and what ``intake`` may, except ``books`` and ``derive``.
"""

from flows.intake.sources.match import Match, match

__all__ = ["Match", "match"]
