"""A web service on loopback, a farm that asks it, and what came of asking."""

from __future__ import annotations

import threading
from contextlib import contextmanager, suppress
from datetime import UTC, datetime, timedelta
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from urllib.parse import parse_qs, urlsplit

from flows.farm.bounds import Bounds
from flows.intake.sources import http
from schemas.farm.farm import Farm

NOW = datetime(2024, 6, 1, tzinfo=UTC)
LAYOUT = {
    "step": "1 h",
    "time": {"columns": ["t"], "offset": "Z"},
    "columns": {"T": {"quantity": "air_temp"}},
}


@contextmanager
def serving(answer, tls=None):
    """A server on loopback; ``answer(handler)`` writes each response."""
    asked = []

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self):
            asked.append(self.path)
            with suppress(BrokenPipeError, ConnectionResetError):
                answer(self)

        def log_message(self, *_):
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    server.daemon_threads = True
    if tls is not None:
        server.socket = tls.wrap_socket(server.socket, server_side=True)
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02})
    thread.start()
    try:
        yield f"http{'s' if tls else ''}://127.0.0.1:{server.server_port}", asked
    finally:
        server.shutdown()
        thread.join()
        server.server_close()


def reply(handler, body=b"t,T\n", status=200, **headers):
    handler.send_response(status)
    for name, value in headers.items():
        handler.send_header(name.replace("_", "-"), value)
    if "Content_Length" not in headers:
        handler.send_header("Content-Length", str(len(body)))
    handler.end_headers()
    handler.wfile.write(body)


def farm(*urls, layout=LAYOUT, **keys):
    keys = {"timeout_s": 2.0, "tries": 3, "pause_s": 0} | keys
    return Farm.model_validate(
        {
            "farm": {"name": "x"},
            "place": {"latitude": 50, "longitude": -100, "elevation_m": 1, "time_zone": "UTC"},
            "layouts": {"l": layout},
            "sources": [
                {"name": f"s{i}", "kind": "http", "layout": "l", "url": url, **keys}
                for i, url in enumerate(urls)
            ],
        }
    )


def fetch(farm, tmp_path, memory=None, latest=None, now=NOW):
    slept, bounds = [], Bounds.of(tmp_path)
    memory = {} if memory is None else memory
    bodies, notes, names = [], [], []
    for fetched in http.fetch_all(
        farm, lambda _: latest, tmp_path / "into", memory, bounds, now=now, sleep=slept.append
    ):
        bodies += [a.path.read_bytes() for a in fetched.arrivals]
        names += [a.name for a in fetched.arrivals]
        notes += fetched.notes
        http.write_memory(tmp_path / "memory.json", memory, fetched)
    return bodies, notes, names, slept


def hourly(handler, until=None):
    """Answer the span of the query (``a`` to ``b``) with a reading an hour; returns its hours.

    ``until``: the service has no readings from then on.
    """
    asked = parse_qs(urlsplit(handler.path).query)
    since, end = (datetime.strptime(asked[k][0], "%Y%m%d%H").replace(tzinfo=UTC) for k in "ab")
    hours = int((end - since).total_seconds() // 3600)
    times = [since + timedelta(hours=h) for h in range(hours)]
    rows = [f"{t:%Y-%m-%d %H:%M},{t.hour}" for t in times if until is None or t < until]
    reply(handler, "\n".join(["t,T", *rows, ""]).encode())
    return hours
