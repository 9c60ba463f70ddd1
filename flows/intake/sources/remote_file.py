"""A file on a web server that is read in ranges of bytes, from hosts that farm.toml names and no other."""

from __future__ import annotations

import io
import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import httpx

from flows.base.errors import UserError
from flows.base.plain_text import plain
from flows.farm.bounds import Bounds
from flows.intake.sources import web_request
from flows.intake.sources.web_request import Limits, Sleep, TooLarge

BLOCK = 1 << 16  # bytes; a request asks for whole blocks
_TOTAL = re.compile(r"bytes (\d+)-(\d+)/(\d+)")


class WrongHost(UserError):
    """A file is where farm.toml allows nothing to be read."""


@dataclass(frozen=True, slots=True)
class Hosts:
    """The hosts that may be asked (``data.example.org``, with a port if it has one of its own)."""

    names: tuple[str, ...]
    plain: bool  # whether http without encryption is allowed

    def check(self, url: httpx.URL) -> None:
        """Raise WrongHost if an address may not be asked, with what to do."""
        host = f"[{url.host}]" if ":" in url.host else url.host
        place = host if url.port is None else f"{host}:{url.port}"
        if url.scheme not in ("http", "https"):
            raise WrongHost(
                f"its file's address begins with {plain(url.scheme)[:20]}:, and only https is read."
            )
        if url.userinfo or place.lower() not in {name.lower() for name in self.names}:
            raise WrongHost(
                f"its file is on {plain(place)[:80]}, which asset_hosts in farm.toml does not name; add "
                "it if you trust it."
            )
        if url.scheme == "http" and not self.plain:
            raise WrongHost(f"its file on {plain(place)[:80]} would be read without encryption.")

    def follow(self, _: httpx.URL, url: httpx.URL) -> bool:
        """Return whether a redirect may be followed; raise WrongHost if not."""
        self.check(url)
        return True


@dataclass(slots=True)
class RemoteFile:
    """The blocks of a file that were read so far; ``error`` is what stopped the last reading."""

    url: httpx.URL
    headers: dict[str, str]
    hosts: Hosts
    limits: Limits
    into: Path
    bounds: Bounds
    sleep: Sleep
    size: int = -1
    read_bytes: int = 0
    error: Exception | None = None
    _blocks: dict[int, bytes] = field(default_factory=dict)
    _tag: str | None = None

    def start(self) -> None:
        """Read its first block, and with it its size; raises as web_request.get does, and WrongHost."""
        self.hosts.check(self.url)
        self._fetch(0, 0)

    def opener(self) -> Callable[..., Any]:
        """Return what rasterio opens it by: itself under any name but that of a file beside it."""

        def opened(path: str, mode: str = "rb", **_: object) -> _Handle:
            if "r" not in mode or path.endswith((".ovr", ".msk", ".aux.xml", ".aux")):
                raise FileNotFoundError(path)
            return _Handle(self)

        return opened

    def part(self, begin: int, length: int) -> bytes:
        """Return some bytes of it, asking for the blocks that are not there yet."""
        end = min(begin + length, self.size)
        if end <= begin:
            return b""
        first, last = begin // BLOCK, (end - 1) // BLOCK
        missing = [n for n in range(first, last + 1) if n not in self._blocks]
        for run in _runs(missing):
            self._fetch(run[0], run[-1])
        whole = b"".join(self._blocks[n] for n in range(first, last + 1))
        return whole[begin - first * BLOCK : end - first * BLOCK]

    def _fetch(self, first: int, last: int) -> None:
        begin = first * BLOCK
        end = (last + 1) * BLOCK - 1 if self.size < 0 else min((last + 1) * BLOCK, self.size) - 1
        wanted = {"Range": f"bytes={begin}-{end}", "Accept-Encoding": "identity"}
        answer = web_request.get(
            self.url,
            self.headers | wanted,
            self.into / "range",
            self.limits,
            self.bounds,
            self.sleep,
            may_follow=self.hosts.follow,
        )
        assert answer.body is not None
        data = answer.body.read_bytes()
        self.read_bytes += len(data)
        if self.read_bytes > self.limits.size:
            raise TooLarge(f"more than size_limit_mb = {self.limits.size / 1e6:g} were read of it.")
        tag = answer.headers.get("ETag")
        if self._tag is not None and tag != self._tag:
            raise UserError("its file changed while it was read.")
        self._tag = tag
        if answer.status == httpx.codes.PARTIAL_CONTENT:
            said = _TOTAL.fullmatch(answer.headers.get("Content-Range", ""))
            if said is None or int(said[1]) != begin or len(data) != int(said[2]) - begin + 1:
                raise UserError("its server answers another range of bytes than it was asked for.")
            self.size = int(said[3])
        else:  # a server without ranges sends the whole file
            begin, self.size = 0, len(data)
        for at in range(0, len(data), BLOCK):
            self._blocks[(begin + at) // BLOCK] = data[at : at + BLOCK]
        if any(n * BLOCK < self.size and n not in self._blocks for n in range(first, last + 1)):
            raise UserError("its server answers fewer bytes than it was asked for.")


def _runs(numbers: Iterable[int]) -> list[list[int]]:
    """Return numbers in runs without a gap."""
    out: list[list[int]] = []
    for number in numbers:
        if out and out[-1][-1] == number - 1:
            out[-1].append(number)
        else:
            out.append([number])
    return out


class _Handle(io.RawIOBase):
    """One reading place in a remote file. What fails is kept there: the library swallows it."""

    def __init__(self, remote: RemoteFile) -> None:
        self._remote, self._at = remote, 0

    def readable(self) -> bool:
        return True

    def seekable(self) -> bool:
        return True

    def tell(self) -> int:
        return self._at

    def seek(self, offset: int, whence: int = io.SEEK_SET) -> int:
        base = {io.SEEK_SET: 0, io.SEEK_CUR: self._at, io.SEEK_END: self._remote.size}[whence]
        self._at = max(0, base + offset)
        return self._at

    def read(self, size: int = -1) -> bytes:
        if self._remote.error is not None:
            return b""
        try:
            data = self._remote.part(self._at, self._remote.size if size < 0 else size)
        except Exception as error:
            self._remote.error = error
            return b""
        self._at += len(data)
        return data
