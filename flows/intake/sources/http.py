"""Asks HTTP sources for what is new; every response is a delivery.

A template URL is filled with ``{since}``, ``{until}``, ``{station}`` and ``{env:NAME}``. A long
span is asked in pieces, oldest first, and what was asked is remembered only after its answers are
in the archive: after an outage or a crash it goes on from there, and what comes twice is no second
reading. Pages are followed by an RFC 8288 ``Link: rel="next"`` or a field of the JSON. A URL
without a span is asked with ETag and Last-Modified. One source's failure is noted and never stops
the others.
"""

from __future__ import annotations

import hashlib
import json
import re
import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import httpx

from flows.base import files
from flows.base.errors import UserError
from flows.farm.bounds import Bounds
from flows.intake.readers.json_records import at_path
from flows.intake.sources import web_request
from flows.intake.sources.spans import Span, ask, beginning, instant, remember_answer
from flows.intake.sources.web_request import Answer, ComeLater, Limits, Sleep
from flows.store.archive import Arrival
from schemas.farm.farm import Farm, Source

FROM_ENVIRONMENT = "env:"
IN_URL = re.compile(r"\{env:([A-Za-z_][A-Za-z0-9_]*)\}")
MOST_PAGES = 5_000
MOST_NEXT_BYTES = 64 << 20  # of a body in which the next page's address is looked for
Memory = dict[str, dict[str, str | None]]


@dataclass(slots=True)
class Fetched:
    """Bodies saved to files, what went wrong, and what to remember when they are archived."""

    source: str
    arrivals: list[Arrival] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    remember: dict[str, Any] = field(default_factory=dict)


def read_memory(path: Path) -> Memory:
    """Return what was asked before; empty if lost (then the warehouse's last reading counts)."""
    return files.read_state(path, Memory) or {}


def write_memory(path: Path, memory: Memory, fetched: Fetched) -> None:
    """Remember what was answered, once it is in the archive."""
    if fetched.remember:
        memory.setdefault(fetched.source, {}).update(fetched.remember)
        files.write_text(path, json.dumps(memory, sort_keys=True))


def fetch_all(
    farm: Farm,
    last_reading: Callable[[Source], datetime | None],
    into: Path,
    memory: Memory,
    bounds: Bounds,
    *,
    now: datetime | None = None,
    sleep: Sleep = time.sleep,
) -> Iterator[Fetched]:
    """Ask every HTTP source for what is new, a piece at a time.

    ``last_reading`` gives a source's latest stored reading. ``into`` is a folder for bodies;
    they may be removed when the next piece is asked for. ``bounds``: the secrets that the farm has,
    and the servers that it may ask.
    """
    now = (now or datetime.now(UTC)).replace(microsecond=0)
    into.mkdir(parents=True, exist_ok=True)
    for number, source in enumerate(s for s in farm.sources if s.kind == "http"):
        known = memory.setdefault(source.name, {})  # grows with what is remembered
        wait = instant(known.get("not_before"))
        if wait is not None and wait > now:
            note = f"The source {source.name} is rate-limiting us. Next try after {wait:%Y-%m-%d %H:%M} UTC."
            yield Fetched(source.name, notes=[note])
            continue
        asked = ask(source, last_reading(source), known, now, beginning(farm, source))
        for piece, span in enumerate(asked.pieces):
            if piece:
                sleep(source.pause_s)
            fetched = Fetched(source.name)
            try:
                body = into / f"{number:04d}-{piece:05d}"
                request = _Request(source, span, body, known, bounds, sleep)
                for arrival in request.pages(_next_field(farm, source)):
                    fetched.arrivals.append(arrival)
                fetched.remember = remember_answer(asked, piece, known) | request.validators
            except ComeLater as error:
                fetched.remember = {"not_before": error.until.isoformat()}
                fetched.notes.append(f"The source {source.name} could not be read: {error}")
            except (httpx.HTTPError, httpx.InvalidURL, UserError, OSError, ValueError) as error:
                fetched.notes.append(
                    f"The source {source.name} could not be read: {web_request.reason_without_url(error)}"
                )
            yield fetched
            if fetched.notes:
                break  # a later piece would leave a gap before it


def _next_field(farm: Farm, source: Source) -> str | None:
    layout = farm.layouts[source.layout]
    return source.next_field or ("@iot.nextLink" if layout.format == "sensorthings" else None)


class _Request:
    """One span of one source: its pages, and what to remember of them."""

    def __init__(  # noqa: PLR0917
        self,
        source: Source,
        span: Span,
        body: Path,
        known: dict[str, Any],
        bounds: Bounds,
        sleep: Sleep,
    ) -> None:
        self.source, self.body, self.known, self.sleep = source, body, known, sleep
        self.bounds = bounds
        self.since, self.until = span
        self.validators: dict[str, Any] = {}

    def pages(self, next_field: str | None) -> Iterator[Arrival]:
        """Yield the pages as arrivals; raises as web.get does."""
        url: httpx.URL | None = self._url()
        headers = headers_of(self.source.headers, self.bounds)
        limits = Limits(
            self.source.timeout_s, int(self.source.size_limit_mb * 1e6), self.source.tries
        )
        first, seen = headers | self._conditions(url), set[str]()
        remember: dict[str, Any] = {}
        for number in range(1, MOST_PAGES + 1):
            assert url is not None
            if str(url) in seen:
                raise UserError("its pages lead back to one that was read already.")
            seen.add(str(url))
            body = self.body.with_name(f"{self.body.name}-{number:05d}.body")
            answer = web_request.get(
                url, first if number == 1 else headers, body, limits, self.bounds, self.sleep
            )
            if number == 1:
                remember = self._validators(url, answer)
            if answer.body is not None:
                yield self._arrival(answer.body, number)
            url = _next_page(answer, next_field)
            if url is None:
                break
            if not web_request.same_host(answer.url, url):
                raise UserError(
                    f"its next page is on another host ({url.host}), which is not asked."
                )
            self.sleep(self.source.pause_s)
        else:
            raise UserError(f"it has more than {MOST_PAGES:,} pages.")
        self.validators = remember

    def _placeholders(self) -> dict[str, str]:
        return {
            "since": self.since.strftime(self.source.time_format),
            "until": self.until.strftime(self.source.time_format),
            "station": self.source.station or self.source.probe or "",
        }

    def _url(self) -> httpx.URL:
        url = self.source.url or ""
        for word, value in self._placeholders().items():
            url = url.replace("{" + word + "}", _url_quoted(value))
        return httpx.URL(IN_URL.sub(lambda m: _url_quoted(_secret(self.bounds, m[1], "url")), url))

    def _arrival(self, body: Path, page: int) -> Arrival:
        """Return the delivery of a page, named without what may be a secret."""
        given = self._placeholders()
        name = f"{given['station']}?since={given['since']}&until={given['until']}"
        name += f"&page={page}" if page > 1 else ""
        target = "|".join([self.source.name, self.source.station or "", self.source.probe or ""])
        return Arrival(body, "http", "", name, self.source.name, target)

    def _conditions(self, url: httpx.URL | None) -> dict[str, str]:
        """Return headers that ask for an answer only where something has changed."""
        if self.known.get("url") != _hash(url):
            return {}
        wanted = {"If-None-Match": "etag", "If-Modified-Since": "modified"}
        return {h: str(self.known[k]) for h, k in wanted.items() if self.known.get(k)}

    def _validators(self, url: httpx.URL, answer: Answer) -> dict[str, Any]:
        if "{since}" in (self.source.url or "") or "{until}" in (self.source.url or ""):
            return {}
        if answer.body is None:
            return {}
        etag, modified = answer.headers.get("ETag"), answer.headers.get("Last-Modified")
        return {"url": _hash(url), "etag": etag, "modified": modified}


def _url_quoted(value: str) -> str:
    return str(httpx.QueryParams({"v": value}))[2:].replace("+", "%20")


def _hash(url: httpx.URL | None) -> str:
    """Return a URL as a hash: the memory must not hold a token."""
    return hashlib.sha256(str(url).encode()).hexdigest()[:16]


def _next_page(answer: Answer, next_field: str | None) -> httpx.URL | None:
    """Return the next page: by the Link header, else by a field of the JSON."""
    links = httpx.Response(200, headers=answer.headers).links
    link = links.get("next", {}).get("url")
    if link is None and next_field is not None and answer.body is not None:
        if answer.body.stat().st_size > MOST_NEXT_BYTES:
            raise UserError("a page of it is too large to look for the next one.")
        try:
            link = at_path(json.loads(answer.body.read_bytes()), next_field)
        except ValueError:
            raise UserError("its answer is not JSON, so there is no next_field in it.") from None
    return answer.url.join(str(link)) if link else None


def headers_of(headers: Mapping[str, str], bounds: Bounds) -> dict[str, str]:
    """Return a source's headers, those written ``env:NAME`` from the environment."""
    return {
        name: _secret(bounds, value.removeprefix(FROM_ENVIRONMENT), f"header {name}")
        if value.startswith(FROM_ENVIRONMENT)
        else value
        for name, value in headers.items()
    }


def _secret(bounds: Bounds, variable: str, where: str) -> str:
    value = bounds.secret(variable)
    if value is None:
        raise UserError(f"{bounds.lacks(variable)}, which its {where} needs.")
    return value
