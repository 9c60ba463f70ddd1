"""What a hostile or a wrong endpoint can still do, beside tests/flows/intake/sources/test_http.py."""

import gzip
import socket
import threading
import time
from contextlib import contextmanager, suppress

import pytest

from flows.intake import collect
from tests.flows.intake.sources.loopback import farm, fetch, reply, serving
from tests.flows.loggers import FARM, ask, make

AWAY = [
    "http://169.254.169.254/latest",
    "http://[::1]:1/",
    "http://0x7f000001/",
    "http://localhost/",
    "http://127.0.0.1@127.0.0.2/",
    "//127.0.0.2/",
    "ftp://127.0.0.1/",
    "file:///etc/hostname",
    "https://127.0.0.1:1/",
    "http://127.0.0.1:99999/",
    "http://",
    "\x00",
]


@contextmanager
def raw(talk):
    """A server that says what it likes: ``talk(connection)`` after the request was read."""
    listener = socket.create_server(("127.0.0.1", 0))
    over = threading.Event()

    def one(connection):
        with connection, suppress(OSError):
            connection.recv(65536)
            talk(connection)

    def accept():
        while not over.is_set():
            with suppress(OSError):
                connection, _ = listener.accept()
                threading.Thread(target=one, args=(connection,), daemon=True).start()

    thread = threading.Thread(target=accept, daemon=True)
    thread.start()
    try:
        yield f"http://127.0.0.1:{listener.getsockname()[1]}/"
    finally:
        over.set()
        with suppress(OSError):
            socket.create_connection(listener.getsockname(), 1).close()
        thread.join(5)
        listener.close()


def noted(tmp_path, talk, **keys):
    keys = {"tries": 1, "timeout_s": 0.5} | keys
    with raw(talk) as url:
        bodies, notes, _, _ = fetch(farm(url, **keys), tmp_path)
    assert bodies == []
    assert len(notes) == 1
    return notes[0]


@pytest.mark.parametrize("to", AWAY)
def test_no_redirect_leads_away(tmp_path, to):
    def answer(handler):
        handler.send_response(302)
        handler._headers_buffer.append(f"Location: {to}\r\n".encode())
        handler.send_header("Content-Length", "0")
        handler.end_headers()

    with serving(answer) as (url, asked):
        bodies, notes, _, _ = fetch(farm(url + "/", tries=1), tmp_path)
    assert bodies == []
    assert len(notes) == 1
    assert "s0 could not be read" in notes[0]
    assert len(asked) == 1


@pytest.mark.parametrize(
    "start",
    [
        b"",
        b"\x00\xff junk\r\n\r\n",
        b"HTTP/1.1 200 OK\r\nno colon here\r\n\r\n",
        b"HTTP/1.1 200 OK\r\nContent-Length: -5\r\n\r\nabc",
        b"HTTP/1.1 200 OK\r\nContent-Length: 1\r\nContent-Length: 2\r\n\r\nabc",
        b"HTTP/1.1 200 OK\r\nTransfer-Encoding: chunked\r\n\r\nzz\r\n",
        b"HTTP/1.1 200 OK\r\nTransfer-Encoding: chunked\r\n\r\n5\r\nabc",
        b"HTTP/1.1 999 Odd\r\nContent-Length: 0\r\n\r\n",
        b"HTTP/1.1 200 OK\r\nContent-Encoding: gzip\r\nContent-Length: 4\r\n\r\nt,T\n",
        b"HTTP/1.1 200 OK\r\nX: " + b"x" * 2_000_000 + b"\r\n\r\n",
        b"HTTP/1.1 200 OK\r\n" + b"X: y\r\n" * 100_000 + b"\r\n",
    ],
    ids=range(11),
)
def test_nonsense_is_noted_and_nothing_is_kept(tmp_path, start):
    assert "could not be read" in noted(tmp_path, lambda c: c.sendall(start))


def test_headers_drip_by_drip(tmp_path):
    """Each byte comes in time, and still the answer must not take for ever."""

    def slow(connection):
        for sign in b"HTTP/1.1 200 OK\r\n" + b"X" * 400:
            connection.sendall(bytes([sign]))
            time.sleep(0.05)

    began = time.monotonic()
    note = noted(tmp_path, slow, timeout_s=0.2)
    assert "takes longer" in note
    assert time.monotonic() - began < 10


def test_informational_answers_without_end(tmp_path):
    def chatter(connection):
        while True:
            connection.sendall(b"HTTP/1.1 100 Continue\r\n\r\n")
            time.sleep(0.01)

    began = time.monotonic()
    assert "could not be read" in noted(tmp_path, chatter, timeout_s=0.2)
    assert time.monotonic() - began < 10


def test_a_bomb_in_several_wrappings(tmp_path):
    bomb = gzip.compress(gzip.compress(bytes(50_000_000)))
    head = f"HTTP/1.1 200 OK\r\nContent-Encoding: gzip, gzip\r\nContent-Length: {len(bomb)}\r\n\r\n"
    note = noted(tmp_path, lambda c: c.sendall(head.encode() + bomb), size_limit_mb=0.5)
    assert "larger than size_limit_mb" in note


def test_nothing_has_changed_says_one_that_was_never_asked_before(tmp_path):
    """A 304 with a body, and without a condition in the request: nothing lands, nothing is forgotten."""
    said = (
        b"HTTP/1.1 304 Not Modified\r\nContent-Length: 30\r\n\r\nt,T\n2024-06-01 00:00,1\nxxxxxxx"
    )
    memory = {}
    with raw(lambda c: c.sendall(said)) as url:
        bodies, _, _, _ = fetch(farm(url, tries=1, timeout_s=0.5), tmp_path, memory)
    assert bodies == []
    assert not memory["s0"].get("etag")


SOURCE = """
[[sources]]
name = "web"
kind = "http"
layout = "hourly"
station = "west"
url = "URL"
tries = 1
"""


@pytest.mark.parametrize(
    ("kind", "body"),
    [
        ("text/html", b"<html><body>Please log in<script>alert(1)</script></body></html>"),
        ("application/json", b'{"error": "quota"}'),
        ("image/png", b"\x89PNG\r\n\x1a\n" + bytes(300)),
        ("application/octet-stream", b"MZ" + bytes(2000)),
    ],
)
def test_another_kind_of_answer_is_refused_with_its_reason(tmp_path, kind, body):
    with serving(lambda h: reply(h, body, Content_Type=kind)) as (url, _):
        folder = make(tmp_path / "farm", FARM + SOURCE.replace("URL", url + "/"))
        done = collect.collect(folder)
    assert (done.deliveries, done.refused, done.landed) == (1, 1, 0)
    ((state, reason),) = ask(folder, "SELECT state, reason FROM delivery")
    assert state == "refused"
    assert "could not be read" not in str(reason)
    assert ask(folder, "SELECT count(*) FROM weather_reading") == [(0,)]
