"""A real SMTP server on loopback that accepts, refuses, drops and is away; and settings for it."""

from __future__ import annotations

import datetime as dt
import json
import socket
from collections.abc import Iterator
from contextlib import closing, contextmanager
from typing import Any

from aiosmtpd.controller import Controller

from flows.farm.folder import FarmFolder
from schemas.farm.farm import Mail


class Post:
    """What the server does with a letter, and those that it took."""

    def __init__(self) -> None:
        self.taken: list[bytes] = []
        self.recipient = "250 OK"
        self.data = "250 OK"
        self.drop = False
        self.drop_after = False

    async def handle_RCPT(
        self, server: Any, session: Any, envelope: Any, address: str, options: Any
    ) -> str:
        if self.recipient.startswith("250"):
            envelope.rcpt_tos.append(address)
        return self.recipient

    async def handle_DATA(self, server: Any, session: Any, envelope: Any) -> str:
        if self.drop:
            server.transport.abort()
            return "250 never heard"
        if self.data.startswith("250"):
            self.taken.append(envelope.content)
        if self.drop_after:
            server.transport.abort()
        return self.data


def free_port() -> int:
    with closing(socket.socket()) as one:
        one.bind(("127.0.0.1", 0))
        return int(one.getsockname()[1])


@contextmanager
def running(post: Post, port: int, **more: Any) -> Iterator[None]:
    server = Controller(post, hostname="127.0.0.1", port=port, **more)
    server.start()
    try:
        yield
    finally:
        server.stop()


def settings(port: int, **more: Any) -> Mail:
    given = {
        "server": "127.0.0.1",
        "port": port,
        "security": "none",
        "from": "farm@example.org",
        "readers": [{"address": "grower@example.org"}],
    }
    return Mail.model_validate(given | more)


def rested(folder: FarmFolder, hours: float = 24) -> None:
    """Let the letters' last try lie some hours back."""
    for path in (folder.state / "outbox").glob("*.json"):
        said = json.loads(path.read_text())
        if said["last_try"]:
            then = dt.datetime.fromisoformat(said["last_try"]) - dt.timedelta(hours=hours)
            path.write_text(json.dumps(said | {"last_try": then.isoformat()}))
