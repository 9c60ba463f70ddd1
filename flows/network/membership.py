"""Join a network and leave it: what that changes in ``farm.toml`` and in the store."""

from __future__ import annotations

import re
import tomllib
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal
from uuid import uuid4

from flows.base import files
from flows.base.errors import Attention, UserError
from flows.base.toml_text import toml_value
from flows.farm import farm_file
from flows.farm.folder import FarmFolder
from flows.network import snapshot
from flows.share import network_file, objects, pointer, push
from flows.share.objects import Objects
from flows.share.pointer import Published
from flows.store import published

_FARM = re.compile(r"^\[farm\][ \t]*(#.*)?$", re.MULTILINE)
_WHAT = re.compile(r"""^what[ \t]*=[ \t]*(["'])\w+\1""", re.MULTILINE)


@dataclass(frozen=True, slots=True)
class Joined:
    """What joining did: the network's name, the farm's id, and the first publish, if one was due."""

    network: str
    farm: str
    published: Published | None


def at(where: str) -> Objects:
    """Return the store of a network: ``where`` is its address, or the folder of a farm that joined."""
    if (Path(where).expanduser() / "farm.toml").is_file():
        farm = farm_file.load(FarmFolder.at(Path(where)).farm_toml)
        if farm.network is None:
            raise UserError(
                f"The farm at {where} has no network. Run: checkstrip network join {where}"
            )
        return objects.open_at(farm.network.address)
    return objects.open_at(where)


def join(
    folder: FarmFolder, address: str, what: Literal["pooled", "named"], *, money: bool
) -> Joined:
    """Write id, ``[share]`` and ``[network]`` into ``farm.toml``, and share at once what is published.

    Raises UserError, and changes nothing, if there is no network at the address or the farm has one;
    Attention if the secret is missing or wrong.
    """
    text = folder.farm_toml.read_text(encoding="utf-8-sig")
    before = farm_file.load(folder.farm_toml)
    store = objects.open_at(address)
    network = network_file.load(store)
    network_file.secret_of(network)
    if before.network is not None or "share" in tomllib.loads(text):
        raise UserError(
            f"{folder.farm_toml} has [network] or [share] already. Change them there; the next run "
            "shares by them. To end it: checkstrip network leave FOLDER"
        )
    if before.farm.id is None:
        text = _with_id(text)
    place = address if "://" in address else str(Path(address).expanduser().resolve())
    text = text.rstrip("\n") + "\n\n" + "\n".join([
        "[share]",
        f"what = {toml_value(what)}   # nothing, pooled or named",
        f"money = {toml_value(money)}   # whether prices, costs and net are shared too",
        "",
        "[network]",
        f"address = {toml_value(place)}",
        "",
    ])  # fmt: skip
    after = farm_file.parse(_parsed(text), "farm.toml with the network")
    files.write_text(folder.farm_toml, text)
    done = push.push(folder) if published.newest(folder) is not None else None
    return Joined(network.name, str(after.farm.id), done)


def leave(folder: FarmFolder) -> bool:
    """Take back what a farm shared, end sharing in ``farm.toml``, make a snapshot without the farm.

    Returns whether snapshots that hold it are gone by now; else the network's next round deletes them.
    """
    farm = farm_file.load(folder.farm_toml)
    if farm.network is None or farm.farm.id is None:
        raise UserError(f"The farm at {folder.root} is in no network.")
    text = folder.farm_toml.read_text(encoding="utf-8-sig")
    ended = _WHAT.sub('what = "nothing"', text)
    if farm_file.parse(_parsed(ended), "farm.toml").share.what != "nothing":
        raise UserError(
            f'Write what = "nothing" under [share] of {folder.farm_toml}, then leave again.'
        )
    store = objects.open_at(farm.network.address)
    # First the file, so that no run in between shares again.
    files.write_text(folder.farm_toml, ended)
    push.leave(folder, store, str(farm.farm.id))
    return forget(store)


def remove(store: Objects, farm: str) -> bool:
    """Take a farm out of a network, for its operator; returns as ``leave`` does."""
    try:
        gone = pointer.leave(store, farm)
    except ValueError:
        raise UserError(f"'{farm}': expected the id of a farm, a UUID.") from None
    if not gone:
        raise UserError(f"The network has no farm {farm}.")
    return forget(store)


def forget(store: Objects) -> bool:
    """Make a snapshot of those that are left; False if this computer may not, or another one is at it."""
    with suppress(Attention):
        if snapshot.current(store) is not None:
            snapshot.compact(store)
        return True
    return False


def _with_id(text: str) -> str:
    found = _FARM.search(text)
    if found is None:
        raise UserError("farm.toml has no line [farm]. Write it as [farm], with its keys below it.")
    line = f"\nid = {toml_value(uuid4())}   # what a network of farms knows it by"
    return text[: found.end()] + line + text[found.end() :]


def _parsed(text: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise UserError(f"farm.toml cannot be added to at its end ({error}).") from None
