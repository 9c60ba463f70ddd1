"""The file ``hosting.toml`` above farm folders: what the host who runs them decides, and no farm."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from schemas.farm.farm import Cron, Zone
from schemas.farm.layout_parts import Strict

# A name as farm.toml has it after env:, and as the host's environment has it.
Variable = Annotated[str, Field(pattern=r"^[A-Za-z_][A-Za-z0-9_]*$")]


class Limits(Strict):
    """[limits]: what one farm may take of the computer in one round.

    ``time_s``: seconds by the clock; ``memory_mb``: megabytes held beyond what the program itself
    takes. A farm beyond its limit is stopped, and the others go on.
    """

    time_s: Annotated[float, Field(gt=0, le=86400)] = 900.0
    memory_mb: Annotated[float, Field(ge=256, le=1_048_576)] = 3072.0


class Round(Strict):
    """[round]: when all farms are worked on, and how many farms one worker takes at a time."""

    schedule: Cron = "*/30 * * * *"
    time_zone: Zone = "UTC"
    bucket: Annotated[int, Field(ge=1, le=1000)] = 50


class Hosting(Strict):
    """The whole file.

    ``network``: the address of the network's store, if the farms share; a farm that shares names the same
    one. ``secrets`` has, by the name of a farm's folder, the names that its farm.toml may use (after
    ``env:``, and CHECKSTRIP_MAIL_PASSWORD), each with the host's environment variable that holds
    the value. ``servers``: local servers that hosted farms may ask all the same, as their urls name
    them.
    """

    round: Round = Round()
    limits: Limits = Limits()
    network: str | None = None
    servers: tuple[str, ...] = ()
    secrets: dict[str, dict[Variable, Variable]] = Field(default_factory=dict)
