"""What a network says of itself, in ``network.json`` of its store, and the secret that its farms share."""

from __future__ import annotations

import hashlib
import hmac
import json
import os
import secrets
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from uuid import uuid4

from pydantic import TypeAdapter

from flows.base import files
from flows.base.errors import Attention, UserError
from flows.share.objects import Objects

KEY = "network.json"
SECRET = "CHECKSTRIP_NETWORK_SECRET"  # noqa: S105 - the name of the variable
GRID_DEG = 0.5


@dataclass(frozen=True, slots=True)
class Network:
    """A network: places of its named farms are rounded to ``grid_deg``; ``check`` knows the secret."""

    id: str
    name: str
    grid_deg: float
    made_at: files.Stamp
    check: str

    def on_grid(self, degrees: float | None) -> float | None:
        """Return a coordinate rounded to the grid."""
        return None if degrees is None else round(round(degrees / self.grid_deg) * self.grid_deg, 6)


_SHAPE = TypeAdapter(Network)


def init(objects: Objects, name: str, grid_deg: float = GRID_DEG) -> tuple[Network, str]:
    """Make a network at a store; return it with its new secret. Raises UserError if one is there."""
    if not 0.01 <= grid_deg <= 10:
        raise UserError("The grid of places is from 0.01 to 10 degrees.")
    secret, number = secrets.token_hex(32), str(uuid4())
    stamp = datetime.now(UTC).isoformat()
    made = Network(number, name, grid_deg, stamp, _check(secret.encode(), number))
    if objects.create(KEY, json.dumps(asdict(made), indent=1).encode()) is None:
        raise UserError(f"There is a network at {objects.address} already; nothing was changed.")
    return made, secret


def load(objects: Objects) -> Network:
    """Return the network at a store; raise UserError if there is none."""
    found = objects.get(KEY)
    if found is None:
        raise UserError(
            f"There is no network at {objects.address}. Make one with: checkstrip network init "
            f"{objects.address}"
        )
    try:
        return _SHAPE.validate_json(found.content)
    except ValueError:
        raise Attention(f"{KEY} at {objects.address} is damaged.") from None


def secret_of(network: Network) -> bytes:
    """Return the network's secret from the environment; raise Attention if it is not there or another."""
    given = os.environ.get(SECRET, "").strip().encode()
    if not given:
        raise Attention(
            f"The secret of the network {network.name} is missing. Whoever made the network has it. "
            f"Set it in the environment as {SECRET}."
        )
    if not hmac.compare_digest(_check(given, network.id), network.check):
        raise Attention(f"{SECRET} is not the secret of the network {network.name}.")
    return given


def _check(secret: bytes, number: str) -> str:
    return hmac.new(secret, f"network {number}".encode(), hashlib.sha256).hexdigest()[:20]
