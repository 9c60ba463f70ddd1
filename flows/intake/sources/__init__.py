"""Where deliveries come from, and which source of farm.toml a delivery belongs to."""

from flows.intake.sources.match import Match, match

__all__ = ["Match", "match"]
