"""A store of named bytes with conditional writes: a folder, or anything that speaks S3.

``put`` overwrites, ``create`` succeeds for one writer only (If-None-Match), ``swap`` only if nobody wrote
since the tag was read (If-Match, RFC 9110 section 13.1). S3 has both. A folder has neither rename that
looks first nor tags that never repeat, so there a writer holds the operating system's lock of the key
while it looks and renames; the tag is the content's own hash, and whatever is swapped holds a number that
grows. That is as safe as the file system's locks: use a folder on one computer's disk, not on a share.

Secrets (AWS_ACCESS_KEY_ID, AWS_SECRET_ACCESS_KEY, ...) are read from the environment by the library.
"""

from __future__ import annotations

import hashlib
import importlib
import os
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

from flows.base import files, lock
from flows.base.errors import Attention, UserError

if TYPE_CHECKING:
    from obstore.store import ObjectStore

ANSWER_S = timedelta(seconds=20)
WAIT_S = 30.0
RETRIES = 3
LOCKS = ".locks"
MISSING_EXTRA = "This needs an extra library. Install it with: pip install 'checkstrip[network]'"


class Away(Attention):
    """The store cannot be reached at this moment: no line, no name, no answer, or an error of its own."""


@dataclass(frozen=True, slots=True)
class Found:
    """The content of a key, and the tag that ``swap`` wants to see unchanged."""

    content: bytes
    tag: str


@dataclass(frozen=True, slots=True)
class Listed:
    """A key with its size in bytes, when it was last written (UTC), and its tag."""

    key: str
    size: int
    written: datetime
    tag: str


class Objects:
    """The store at an address. Every method raises Attention, in a sentence, if it does not answer."""

    def __init__(self, address: str, store: ObjectStore, folder: Path | None = None) -> None:
        self.address = address
        self._store = store
        self._folder = folder
        self._library: Any = _library()

    def get(self, key: str) -> Found | None:
        """Return the content of a key; None if there is none."""
        with self._answering():
            try:
                result = self._library.get(self._store, key)
                content = bytes(result.bytes())
            except FileNotFoundError:
                return None
            return Found(content, self._tag(content, result.meta["e_tag"]))

    def get_many(
        self, keys: Iterable[str], at_once: int = 16
    ) -> Iterator[tuple[str, bytes | None]]:
        """Yield keys with their contents in the order asked, several requests at once."""
        from concurrent.futures import ThreadPoolExecutor  # noqa: PLC0415

        def one(key: str) -> bytes | None:
            found = self.get(key)
            return found.content if found else None

        with ThreadPoolExecutor(at_once) as pool:
            wanted = list(keys)
            for start in range(0, len(wanted), 64 * at_once):
                part = wanted[start : start + 64 * at_once]
                yield from zip(part, pool.map(one, part), strict=True)

    def put(self, key: str, content: bytes) -> None:
        """Write a key, whatever it holds."""
        with self._answering():
            if self._folder is not None:
                with files.private():
                    files.write_bytes(self._folder / key, content)
            else:
                self._library.put(self._store, key, content, use_multipart=False)

    def create(self, key: str, content: bytes) -> str | None:
        """Write a key that must not exist yet; return its tag, or None if it does."""
        with self._answering():
            if self._folder is not None:
                with self._held(key):
                    if (self._folder / key).exists():
                        return None
                    self.put(key, content)
                return self._tag(content, None)
            return self._conditional(key, content, "create")

    def swap(self, key: str, content: bytes, tag: str) -> str | None:
        """Write a key that must still have the tag; return the new one, or None if it has another."""
        with self._answering():
            if self._folder is not None:
                with self._held(key):
                    found = self.get(key)
                    if found is None or found.tag != tag:
                        return None
                    self.put(key, content)
                return self._tag(content, None)
            return self._conditional(key, content, {"e_tag": tag})

    def list(self, prefix: str) -> list[Listed]:
        """Return the keys below a prefix (whole parts of the path), sorted."""
        with self._answering():
            found = [
                Listed(one["path"], one["size"], one["last_modified"].astimezone(UTC), one["e_tag"])
                for chunk in self._library.list(self._store, prefix)
                for one in chunk
                if not one["path"].startswith(LOCKS) and not _part(one["path"])
            ]
        return sorted(found, key=lambda one: one.key)

    def delete(self, keys: Iterable[str]) -> int:
        """Delete keys, those that are gone already too; return how many were named."""
        named = sorted(set(keys))
        with self._answering():
            if self._folder is not None:
                for key in named:
                    (self._folder / key).unlink(missing_ok=True)
            elif named:
                self._library.delete(self._store, named)
        return len(named)

    def _conditional(self, key: str, content: bytes, mode: Any) -> str | None:
        errors = importlib.import_module("obstore.exceptions")
        try:
            put = self._library.put(self._store, key, content, mode=mode, use_multipart=False)
        except (errors.AlreadyExistsError, errors.PreconditionError, FileExistsError):
            return None
        return str(put["e_tag"])

    def _tag(self, content: bytes, tag: str | None) -> str:
        return hashlib.sha256(content).hexdigest() if self._folder is not None else str(tag)

    @contextmanager
    def _held(self, key: str) -> Iterator[None]:
        assert self._folder is not None
        name = hashlib.sha256(key.encode()).hexdigest()[:32]
        with lock.hold(self._folder / LOCKS / name, "writing to the network", WAIT_S):
            yield

    @contextmanager
    def _answering(self) -> Iterator[None]:
        """Turn whatever the store's library or the disk raises into a sentence."""
        try:
            yield
        except (UserError, Attention):
            raise
        except Exception as error:
            if type(error).__module__.startswith("obstore") or isinstance(error, OSError):
                why = str(error).strip().partition("\n")[0][:300]
                # The library has classes of its own for what is refused (keys, rights, names).
                away = type(error).__name__ == "GenericError"
                kind = Away if away else Attention
                raise kind(f"The network at {self.address} does not answer: {why}") from error
            raise


def _part(key: str) -> bool:
    name = key.rpartition("/")[2]
    return name.startswith(".") and name.endswith(".part")


def _library() -> Any:
    try:
        return importlib.import_module("obstore")
    except ImportError as error:
        raise UserError(MISSING_EXTRA) from error


def open_at(address: str, *, make: bool = False) -> Objects:
    """Open the store at an address: a folder, or ``s3://bucket/prefix``.

    The endpoint of another service than the default one is AWS_ENDPOINT_URL; plain http needs
    AWS_ALLOW_HTTP=true. Raises UserError for an address that cannot be one, or a folder that is not
    there (with ``make`` it is made).
    """
    _library()
    stores: Any = importlib.import_module("obstore.store")
    if address.startswith("s3://"):
        try:
            store = stores.from_url(
                address,
                client_options={
                    "timeout": ANSWER_S,
                    "connect_timeout": timedelta(seconds=5),
                    "allow_http": os.environ.get("AWS_ALLOW_HTTP", "").lower() in ("1", "true"),
                },
                retry_config={"max_retries": RETRIES, "retry_timeout": ANSWER_S},
            )
        except Exception as error:
            why = str(error).partition("\n")[0]
            raise UserError(f"{address} cannot be the address of a network: {why}") from error
        return Objects(address, store)
    if "://" in address:
        raise UserError(
            f"{address} cannot be the address of a network. Expected a folder, or s3://bucket/prefix."
        )
    folder = Path(address).expanduser().resolve()
    if make:
        files.make_folder_for(folder, 0o711)
    if not folder.is_dir():
        raise UserError(
            f"There is no folder {folder}. Make a network with: checkstrip network init"
        )
    return Objects(address, stores.LocalStore(str(folder)), folder)
