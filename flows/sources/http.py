"""Asks HTTP sources for what is new; every response is a delivery.

A template URL is filled with ``{since}``, ``{until}`` and ``{station}``. Answers of 429 and 5xx
and broken connections are tried again with a growing pause (or the server's Retry-After), bodies
are streamed to disk and bounded in size and time, redirects stay on the same host. One source's
failure is noted and never stops the others.
"""

from __future__ import annotations

import os
import random
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

import httpx

from flows.archive import Arrival
from flows.errors import UserError
from schemas.farm import Farm, Source

AGAIN = frozenset({408, 425, 429, 500, 502, 503, 504})
PAUSE_S, LONGEST_PAUSE_S = 1.0, 120.0
FROM_ENVIRONMENT = "env:"


@dataclass(slots=True)
class Fetched:
    """Bodies saved to files, and what went wrong with which source."""

    arrivals: list[Arrival] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


def fetch_all(
    farm: Farm,
    heard: Callable[[Source], datetime | None],
    into: Path,
    *,
    now: datetime | None = None,
    sleep: Callable[[float], None] = time.sleep,
) -> Fetched:
    """Ask every HTTP source once.

    ``heard`` gives the latest reading that is held of a source (None where there is none); the
    span asked for starts ``overlap_h`` before it. ``into`` is a folder for the bodies.
    """
    fetched = Fetched()
    now = now or datetime.now(UTC)
    into.mkdir(parents=True, exist_ok=True)
    for number, source in enumerate(s for s in farm.sources if s.kind == "http"):
        try:
            url, name = _url(source, heard(source), now)
            body = into / f"{number:04d}.body"
            _get(source, url, body, sleep)
            target = "|".join([source.name, source.station or "", source.probe or ""])
            fetched.arrivals.append(Arrival(body, "http", "", name, source.name, target))
        except (httpx.HTTPError, httpx.InvalidURL, UserError, OSError) as error:
            fetched.notes.append(f"The source {source.name} could not be read: {_plain(error)}")
    return fetched


def _url(source: Source, latest: datetime | None, now: datetime) -> tuple[str, str]:
    """The URL to ask, and the name of the delivery (without what may be a secret)."""
    begin = datetime.combine(source.begin, datetime.min.time(), UTC) if source.begin else now
    since = latest - timedelta(hours=source.overlap_h) if latest else begin
    words = {
        "since": since.strftime(source.time_format),
        "until": now.strftime(source.time_format),
        "station": source.station or source.probe or "",
    }
    url = source.url or ""
    for word, value in words.items():
        url = url.replace("{" + word + "}", httpx.QueryParams({"v": value}).__str__()[2:])
    return url, f"{words['station']}?since={words['since']}&until={words['until']}"


def _headers(source: Source) -> dict[str, str]:
    """The headers, those written ``env:NAME`` from the environment."""
    headers = {}
    for name, value in source.headers.items():
        if value.startswith(FROM_ENVIRONMENT):
            variable = value.removeprefix(FROM_ENVIRONMENT)
            if variable not in os.environ:
                raise UserError(
                    f"the environment has no {variable}, which its header {name} needs."
                )
            headers[name] = os.environ[variable]
        else:
            headers[name] = value
    return headers


def _get(source: Source, url: str, body: Path, sleep: Callable[[float], None]) -> None:
    """Stream one response to a file, with retries; raises httpx.HTTPError or UserError."""
    headers = _headers(source)
    for attempt in range(1, source.tries + 1):
        pause = min(LONGEST_PAUSE_S, PAUSE_S * 2 ** (attempt - 1)) * (1 + random.random() / 4)  # noqa: S311
        try:
            with httpx.Client(timeout=source.timeout_s, event_hooks={}) as client:
                _stream(client, source, url, headers, body)
            return
        except httpx.HTTPStatusError as error:
            if error.response.status_code not in AGAIN or attempt == source.tries:
                raise
            pause = _retry_after(error.response, pause)
        except httpx.TransportError:
            if attempt == source.tries:
                raise
        sleep(pause)


def _stream(
    client: httpx.Client, source: Source, url: str, headers: dict[str, str], body: Path
) -> None:
    deadline = time.monotonic() + source.timeout_s * 10
    limit = int(source.size_limit_mb * 1e6)
    request = client.build_request("GET", url, headers=headers)
    for _ in range(6):
        response = client.send(request, stream=True)
        try:
            following = response.next_request
            if following is not None:
                if following.url.host != request.url.host or (
                    request.url.scheme == "https" and following.url.scheme != "https"
                ):
                    raise UserError(
                        f"it redirects to another host ({following.url.host}), which is not followed."
                    )
                request = following
                continue
            response.raise_for_status()
            size = 0
            with body.open("wb") as out:
                for block in response.iter_bytes():
                    size += len(block)
                    if size > limit:
                        raise UserError(
                            f"its answer is larger than size_limit_mb = {source.size_limit_mb:g}."
                        )
                    if time.monotonic() > deadline:
                        raise UserError(
                            f"its answer takes longer than {source.timeout_s * 10:g} seconds."
                        )
                    out.write(block)
            return
        finally:
            response.close()
    raise UserError("it redirects in a circle.")


def _retry_after(response: httpx.Response, pause: float) -> float:
    """The pause that the server asks for, within reason."""
    asked = response.headers.get("Retry-After", "")
    return min(LONGEST_PAUSE_S, float(asked)) if asked.isdigit() else pause


def _plain(error: Exception) -> str:
    """A sentence without the URL, which may hold a token."""
    if isinstance(error, httpx.HTTPStatusError):
        return f"it answered {error.response.status_code} {error.response.reason_phrase}."
    if isinstance(error, httpx.TimeoutException):
        return "it did not answer in time."
    if isinstance(error, httpx.HTTPError | httpx.InvalidURL):
        return f"the connection failed ({type(error).__name__})."
    return str(error)
