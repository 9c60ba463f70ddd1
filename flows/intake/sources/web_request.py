"""One HTTP request, done carefully: streamed, bounded, retried, and never led to another host."""

from __future__ import annotations

import logging
import random
import socket
import threading
import time
from collections.abc import Callable
from contextlib import closing, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime
from pathlib import Path
from typing import Any

import httpx

from flows.base.errors import UserError
from flows.farm.bounds import Bounds

TRY_AGAIN = frozenset({408, 425, 429, 500, 502, 503, 504})
PAUSE_S, LONGEST_PAUSE_S = 1.0, 120.0
MOST_REDIRECTS = 5
DEADLINE = 10  # times the timeout: what a whole answer may take

for _name in ("httpx", "httpcore"):  # they would write addresses, which may hold tokens, into logs
    logging.getLogger(_name).setLevel(logging.WARNING)

Sleep = Callable[[float], None]


class TooLarge(UserError):
    """An answer has more bytes than the source may send."""


class ComeLater(Exception):
    """The server is rate-limiting us. Next try after a time that is too far off to wait for."""

    def __init__(self, until: datetime) -> None:
        super().__init__(f"it is rate-limiting us. Next try after {until:%Y-%m-%d %H:%M} UTC.")
        self.until = until


@dataclass(frozen=True, slots=True)
class Limits:
    """What a request may cost."""

    timeout_s: float
    size: int
    tries: int


@dataclass(frozen=True, slots=True)
class Answer:
    """A response whose body lies in a file; ``body`` is None where nothing has changed (304)."""

    url: httpx.URL
    body: Path | None
    headers: httpx.Headers
    status: int = 200


def get(  # noqa: PLR0917
    url: httpx.URL,
    headers: dict[str, str],
    body: Path,
    limits: Limits,
    bounds: Bounds,
    sleep: Sleep = time.sleep,
    *,
    post: object = None,
    may_follow: Callable[[httpx.URL, httpx.URL], bool] | None = None,
) -> Answer:
    """Stream one response to ``body``, trying again where that may help.

    ``post``: what to send as JSON, if not None. ``may_follow``: whether a redirect of one address to
    another may be followed; to the same host only, if not given. Raises httpx.HTTPError, UserError
    (size, time, another host), OutOfBounds and ComeLater.
    """
    bounds.refuse_server(url.host)
    for attempt in range(1, limits.tries + 1):
        pause = min(LONGEST_PAUSE_S, PAUSE_S * 2 ** (attempt - 1)) * (1 + random.random() / 4)  # noqa: S311
        try:
            # verification of certificates is httpx's default and is never turned off
            with httpx.Client(timeout=limits.timeout_s) as client:
                request = client.build_request(
                    "GET" if post is None else "POST", url, headers=headers, json=post
                )
                follow = may_follow or same_host
                return _stream(client, request, body, limits, bounds, follow)
        except httpx.HTTPStatusError as error:
            if error.response.status_code not in TRY_AGAIN:
                raise
            pause = _retry_after(error.response, pause)
            if attempt == limits.tries:
                raise
        except httpx.TransportError:
            if attempt == limits.tries:
                raise
        sleep(pause)
    raise AssertionError("unreachable: the last try returns or raises")


def _stream(  # noqa: PLR0917
    client: httpx.Client,
    request: httpx.Request,
    body: Path,
    limits: Limits,
    bounds: Bounds,
    may_follow: Callable[[httpx.URL, httpx.URL], bool],
) -> Answer:
    with _Watch(limits.timeout_s * DEADLINE, request.url.host, bounds) as watch:
        request.extensions["trace"] = watch.note_connection
        try:
            for _ in range(MOST_REDIRECTS + 1):
                with closing(client.send(request, stream=True)) as response:
                    following = response.next_request
                    if following is None:
                        answer = _save_body(response, body, limits)
                        break
                    if not may_follow(request.url, following.url):
                        raise UserError(
                            f"it redirects to another host ({following.url.host}), which is not "
                            "followed."
                        )
                    request, watch.host = following, following.url.host
            else:
                raise UserError("it redirects in a circle.")
        except httpx.TransportError:
            if not watch.over:
                raise
        if watch.over:  # where the length was not announced, the end we made looks like its own
            raise UserError(
                f"its answer takes longer than {limits.timeout_s * DEADLINE:g} seconds."
            )
    return answer


class _Watch:
    """Ends the connection when the whole answer takes too long, headers and redirects included.

    The timeout of the library is that of one read: an endpoint that drips would hold us for ever.
    """

    def __init__(self, seconds: float, host: str, bounds: Bounds) -> None:
        self.over = False
        self.host, self._bounds = host, bounds
        self._socket: socket.socket | None = None
        self._timer = threading.Timer(seconds, self._end)
        self._timer.daemon = True

    def note_connection(self, event: str, info: dict[str, Any]) -> None:
        """What the library tells of a request as it goes along: its connections are of interest."""
        if event in ("connection.connect_tcp.complete", "connection.start_tls.complete"):
            self._socket = info["return_value"].get_extra_info("socket")
            if self._socket is not None:
                self._bounds.refuse_peer(self.host, self._socket)
            if self.over:
                self._end()

    def _end(self) -> None:
        self.over = True
        if self._socket is not None:
            with suppress(OSError):
                self._socket.shutdown(socket.SHUT_RDWR)

    def __enter__(self) -> _Watch:
        self._timer.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._timer.cancel()


def _save_body(response: httpx.Response, body: Path, limits: Limits) -> Answer:
    """Return the answer with its body in a file; raises where it is an error or too much."""
    if response.status_code == httpx.codes.NOT_MODIFIED:
        return Answer(response.url, None, response.headers)
    response.raise_for_status()
    too_large = TooLarge(f"its answer is larger than size_limit_mb = {limits.size / 1e6:g}.")
    announced = response.headers.get("Content-Length", "")
    if announced.isdigit() and int(announced) > limits.size:
        raise too_large
    size = 0
    with body.open("wb") as out:
        for block in response.iter_bytes():  # unpacked, so that a bomb meets the limit too
            size += len(block)
            if size > limits.size:
                raise too_large
            out.write(block)
    return Answer(response.url, body, response.headers, response.status_code)


def same_host(one: httpx.URL, other: httpx.URL) -> bool:
    """Return whether a request may go on to ``other``: same host and port, not plain http."""
    if one.host != other.host:
        return False
    if one.scheme == other.scheme:
        return one.port == other.port
    return (one.scheme, other.scheme) == ("http", "https") and other.port is None


def _retry_after(response: httpx.Response, pause: float) -> float:
    """Return the pause that the server asks for (seconds or a date); raises ComeLater if long."""
    asked = response.headers.get("Retry-After", "").strip()
    if asked.isdigit():
        wait = float(asked)
    else:
        try:
            at = parsedate_to_datetime(asked)
        except ValueError:
            return pause
        at = at if at.tzinfo is not None else at.replace(tzinfo=UTC)
        wait = (at - datetime.now(UTC)).total_seconds()
    if wait > LONGEST_PAUSE_S:
        raise ComeLater(datetime.fromtimestamp(time.time() + min(wait, 7 * 86400), UTC))
    return max(wait, pause if not asked.isdigit() else 0.0)


def reason_without_url(error: Exception) -> str:
    """Return a sentence without the URL, which may hold a token."""
    if isinstance(error, httpx.HTTPStatusError):
        return f"it answered {error.response.status_code} {error.response.reason_phrase}."
    if isinstance(error, httpx.TimeoutException):
        return "it did not answer in time."
    if isinstance(error, httpx.HTTPError | httpx.InvalidURL):
        if "CERTIFICATE" in str(error).upper():
            return "its certificate cannot be trusted, so nothing was read from it."
        return f"the connection failed ({type(error).__name__})."
    return str(error)
