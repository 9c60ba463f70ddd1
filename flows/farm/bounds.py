"""What a farm may reach: all that its user may, or, if a host runs it among others, its own folder.

A farm is hosted if the folder above its own has a file ``hosting.toml``. That file is the host's; so
nothing that a farm writes decides, and no command can forget it. A hosted farm names no path outside
of its folder (links count by where they lead), gets no secret but those that the host lists for it,
and asks no server on the host's own computer or local network, by web or by mail.
"""

from __future__ import annotations

import ipaddress
import os
import socket
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path, PurePosixPath, PureWindowsPath
from typing import TYPE_CHECKING

from flows.base.errors import UserError
from flows.base.files import readable

if TYPE_CHECKING:
    from schemas.farm.farm import Farm
    from schemas.farm.hosting import Hosting

NAME = "hosting.toml"
_TOLD = 3  # links that a message names


class OutOfBounds(OSError):
    """A hosted farm names a server that it may not ask; the message is a sentence."""


@dataclass(frozen=True, slots=True)
class Bounds:
    """What the farm in the folder ``root`` may reach; ``hosting`` is None of a farm of its own."""

    root: Path
    hosting: Hosting | None

    @classmethod
    def of(cls, root: Path) -> Bounds:
        """Return the bounds of a farm folder. Raises UserError if hosting.toml has a mistake."""
        file = root.parent / NAME
        return cls(root, load(file) if file.is_file() else None)

    def secret(self, name: str) -> str | None:
        """Return the value that farm.toml calls ``name``, from the environment; None if there is none."""
        if self.hosting is None:
            return os.environ.get(name)
        given = self.hosting.secrets.get(self.root.name, {}).get(name)
        return None if given is None else os.environ.get(given)

    def lacks(self, name: str) -> str:
        """Say that there is no such secret."""
        if self.hosting is None:
            return f"the environment has no {name}"
        return f"the host gave this farm no {name} (secrets in {NAME}, or the host's environment)"

    def paths_outside(self, farm: Farm) -> list[str]:
        """Return a sentence for each path of farm.toml that leads out of the folder of a hosted farm."""
        if self.hosting is None:
            return []
        own = farm.network
        elsewhere = own is not None and own.address != self.hosting.network
        return [
            *(
                ["network.address: expected that of the host, since this farm is hosted"]
                * elsewhere
            ),
            *self._outside(farm),
        ]

    def _outside(self, farm: Farm) -> list[str]:
        return [
            f"{key}: found {path!r}, which leads outside of the farm folder; expected a path inside "
            "it, since this farm is hosted"
            for key, path in _named(farm)
            if not self._is_inside(path)
        ]

    def refuse_links(self) -> None:
        """Raise UserError if a link in the folder of a hosted farm leads out of it."""
        if self.hosting is None:
            return
        if found := [path for path in _links(self.root) if not self._leads_inside(path)]:
            some = ", ".join(readable(str(p.relative_to(self.root))) for p in found[:_TOLD])
            raise UserError(
                f"The farm {self.root.name} is hosted, and links in its folder lead outside of it "
                f"({some}{' and more' if len(found) > _TOLD else ''}). Nothing of it was read. "
                "Put the files themselves there."
            )

    def refuse_server(self, host: str) -> None:
        """Raise OutOfBounds if a server's name is one of the host's own computer or local network.

        A name without an address passes: whoever asks the server will say so.
        """
        if self.hosting is None or host in self.hosting.servers:
            return
        try:
            found = socket.getaddrinfo(host, None, type=socket.SOCK_STREAM)
        except (OSError, UnicodeError):
            return
        for entry in found:
            _refuse_local(host, str(entry[4][0]))

    def refuse_peer(self, host: str, connected: socket.socket) -> None:
        """Raise OutOfBounds if a connection leads to the host's own computer or local network.

        The name may mean another address at each look, so the connection itself is looked at too,
        before anything is sent.
        """
        if self.hosting is None or host in self.hosting.servers:
            return
        peer, here = connected.getpeername()[0], connected.getsockname()[0]
        _refuse_local(host, str(peer))
        if peer == here:
            raise _local(host)

    def _is_inside(self, path: str) -> bool:
        if PurePosixPath(path).is_absolute() or PureWindowsPath(path).anchor or path[:1] == "~":
            return False
        whole = self.root / path
        # As it is written, and as the system follows it: ".." after a link is what that leads to.
        as_written = Path(os.path.normpath(whole)).is_relative_to(self.root)
        return as_written and self._leads_inside(whole)

    def _leads_inside(self, path: Path) -> bool:
        try:
            return path.resolve().is_relative_to(self.root)
        except (OSError, RuntimeError):  # a link to itself
            return False


def load(file: Path) -> Hosting:
    """Return what the host decided. Raises UserError with each fault named."""
    from pydantic import ValidationError  # noqa: PLC0415 - for start-up time: few farms are hosted

    from schemas.farm.hosting import Hosting  # noqa: PLC0415

    try:
        return Hosting.model_validate(tomllib.loads(file.read_text(encoding="utf-8-sig")))
    except (UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise UserError(f"{file} is not valid TOML: {error}") from None
    except ValidationError as error:
        faults = [
            f"{'.'.join(map(str, one['loc']))}: found {one['input']!r}; {one['msg']}"
            for one in error.errors()
        ]
        raise UserError("\n  ".join([f"{file} has faults:", *faults])) from None


def _named(farm: Farm) -> Iterator[tuple[str, str]]:
    """Yield every path that a farm file names, with its key."""
    yield "fieldbook", farm.fieldbook
    for source in farm.sources:
        yield f"sources.{source.name}.path", source.path
    if farm.normals and farm.normals.table:
        yield "normals.table", farm.normals.table
    if farm.backup:
        yield "backup.to", farm.backup.to


def _links(folder: Path) -> Iterator[Path]:
    """Yield every link below a folder; those are not followed."""
    with os.scandir(folder) as entries:
        for entry in entries:
            if entry.is_symlink():
                yield Path(entry.path)
            elif entry.is_dir():
                yield from _links(Path(entry.path))


def _refuse_local(host: str, address: str) -> None:
    found = ipaddress.ip_address(address)
    inner = getattr(found, "ipv4_mapped", None) or getattr(found, "sixtofour", None)
    if not (inner or found).is_global or found.is_multicast:
        raise _local(host)


def _local(host: str) -> OutOfBounds:
    return OutOfBounds(
        f"{host} is a computer of the host or of its local network, which a hosted farm does not ask."
    )
