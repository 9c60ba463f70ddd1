"""A real SMTP server on loopback, in a process of its own; letters lie in a folder."""

from __future__ import annotations

import hashlib
import os
import signal
import socket
import time
import uuid
from contextlib import closing, suppress
from email import message_from_bytes, policy
from pathlib import Path
from typing import Any


class Post:
    """Takes letters for as long as it is entered."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        folder.mkdir(parents=True, exist_ok=True)
        with closing(socket.socket()) as one:
            one.bind(("127.0.0.1", 0))
            self.port = int(one.getsockname()[1])
        self.pid = 0

    def __enter__(self) -> Post:
        self.pid = os.fork()
        if self.pid == 0:
            with suppress(BaseException):
                self._serve()
            os._exit(0)
        for _ in range(200):
            with suppress(OSError), closing(socket.create_connection(("127.0.0.1", self.port), 1)):
                return self
            time.sleep(0.05)
        raise RuntimeError("the mail server did not start")

    def __exit__(self, *_: object) -> None:
        with suppress(ProcessLookupError):
            os.kill(self.pid, signal.SIGTERM)
        os.waitpid(self.pid, 0)

    def _serve(self) -> None:
        from aiosmtpd.controller import Controller

        signal.signal(signal.SIGTERM, lambda *_: os._exit(0))
        parent = os.getppid()
        server = Controller(self, hostname="127.0.0.1", port=self.port)
        server.start()
        while os.getppid() == parent:  # it must not outlive the experiment
            time.sleep(0.5)

    async def handle_DATA(self, server: Any, session: Any, envelope: Any) -> str:
        part = self.folder / f"{uuid.uuid4().hex}.part"
        part.write_bytes(envelope.content)
        part.rename(part.with_suffix(".eml"))
        return "250 OK"

    def letters(self) -> dict[str, list[str]]:
        """Message-ID and reader of what came, with a hash of each copy."""
        found: dict[str, list[str]] = {}
        for path in self.folder.glob("*.eml"):
            data = path.read_bytes()
            identity = str(message_from_bytes(data, policy=policy.SMTP)["Message-ID"])
            found.setdefault(identity, []).append(hashlib.sha256(data).hexdigest())
        return found

    def clear(self) -> None:
        """Forget what came."""
        for path in self.folder.iterdir():
            path.unlink(missing_ok=True)
