import gzip
import json
import logging
import ssl
import threading
import time
from datetime import UTC, datetime, timedelta
from email.utils import format_datetime
from urllib.parse import parse_qs, urlsplit

import pytest

from flows.intake import collect
from flows.intake.sources import web_request
from tests.flows.intake.sources.loopback import LAYOUT, farm, fetch, hourly, reply, serving
from tests.flows.loggers import FARM, ask, make


def test_a_failed_piece_is_asked_again_and_those_before_it_are_kept(tmp_path):
    broken = threading.Event()
    broken.set()

    def answer(handler):
        since = parse_qs(urlsplit(handler.path).query)["a"][0]
        if broken.is_set() and since.startswith("2024-05-21"):
            reply(handler, b"down", 404)
        else:
            reply(handler, since.encode())

    with serving(answer) as (url, asked):
        made = farm(url + "/?a={since}&b={until}", begin="2024-05-01", piece_d=10)
        memory = {}
        bodies, notes, names, _ = fetch(made, tmp_path, memory)
        assert [b[:10] for b in bodies] == [b"2024-05-01", b"2024-05-11"]
        assert notes == ["The source s0 could not be read: it answered 404 Not Found."]
        assert names[0] == "?since=2024-05-01T00:00:00Z&until=2024-05-11T00:00:00Z"
        broken.clear()
        asked.clear()
        again = json.loads((tmp_path / "memory.json").read_text())
        bodies, notes, _, _ = fetch(made, tmp_path, again)
        assert not notes
        assert [b[:10] for b in bodies] == [b"2024-05-20", b"2024-05-30"]  # a day's overlap


@pytest.mark.parametrize("by", ["link", "field", "things"])
def test_pages_are_followed(tmp_path, by):
    def answer(handler):
        page = int(parse_qs(urlsplit(handler.path).query).get("page", ["1"])[0])
        more = f"/data?page={page + 1}" if page < 3 else None
        if by == "link":
            headers = {"Link": f'<{more}>; rel="next", </x>; rel="last"'} if more else {}
            reply(handler, b"%d" % page, **headers)
        elif by == "field":
            reply(handler, json.dumps({"page": page, "links": {"next": more}}).encode())
        else:
            body = {"value": [page], **({"@iot.nextLink": more} if more else {})}
            reply(handler, json.dumps(body).encode())

    layout = (
        LAYOUT
        if by != "things"
        else {"format": "sensorthings", **{k: LAYOUT[k] for k in ("step", "columns")}}
    )
    keys = {"next_field": "links.next"} if by == "field" else {}
    with serving(answer) as (url, asked):
        bodies, notes, names, _ = fetch(farm(url + "/data", layout=layout, **keys), tmp_path)
    assert not notes
    assert len(set(bodies)) == len(asked) == 3
    assert [name.partition("&page=")[2] for name in names] == ["", "2", "3"]


def test_pages_that_never_end_or_lead_away_are_refused(tmp_path):
    def circle(handler):
        reply(handler, Link='</data>; rel="next"')

    def away(handler):
        reply(handler, Link='<http://127.0.0.2/data>; rel="next"')

    for answer, said in ((circle, "lead back"), (away, "another host")):
        with serving(answer) as (url, asked):
            _, notes, _, _ = fetch(farm(url + "/data"), tmp_path)
        assert said in notes[0]
        assert len(asked) == 1


class TestTryingAgain:
    def ask(self, tmp_path, answers, **keys):
        left = list(answers)

        def answer(handler):
            status, headers = left.pop(0)
            reply(handler, b"t,T\n", status, **headers)

        with serving(answer) as (url, asked):
            memory = {}
            bodies, notes, _, slept = fetch(farm(url + "/", **keys), tmp_path, memory)
        return bodies, notes, slept, len(asked), memory

    def test_after_a_while(self, tmp_path):
        answers = [(503, {}), (429, {"Retry_After": "7"}), (200, {})]
        bodies, notes, slept, asked, _ = self.ask(tmp_path, answers)
        assert (len(bodies), notes, asked) == (1, [], 3)
        assert 1.0 <= slept[0] <= 1.25
        assert slept[1] == 7

    def test_by_a_date(self, tmp_path):
        at = format_datetime(datetime.now(UTC) + timedelta(seconds=60), usegmt=True)
        _, _, slept, _, _ = self.ask(tmp_path, [(503, {"Retry_After": at}), (200, {})])
        assert 50 < slept[0] <= 61

    def test_not_for_hours(self, tmp_path):
        bodies, notes, _, asked, memory = self.ask(tmp_path, [(429, {"Retry_After": "7200"})])
        assert (bodies, asked) == ([], 1)
        assert "rate-limiting us" in notes[0]
        made = farm("http://127.0.0.1:9/")
        _, notes, _, _ = fetch(made, tmp_path, memory, now=datetime.now(UTC))
        assert "rate-limiting" in notes[0]  # the next collect does not ask at all

    def test_not_for_ever_and_not_where_it_does_not_help(self, tmp_path):
        assert self.ask(tmp_path, [(500, {})] * 3)[3] == 3
        assert self.ask(tmp_path, [(403, {})])[3] == 1

    def test_nonsense_is_a_usual_pause(self, tmp_path):
        _, _, slept, _, _ = self.ask(tmp_path, [(503, {"Retry_After": "soon"}), (200, {})])
        assert 1.0 <= slept[0] <= 1.25


class TestHostile:
    def ask(self, tmp_path, answer, **keys):
        with serving(answer) as (url, asked):
            bodies, notes, _, _ = fetch(farm(url + "/", **keys), tmp_path)
        assert bodies == []
        return notes[0], asked

    def test_too_large(self, tmp_path):
        note, _ = self.ask(tmp_path, lambda h: reply(h, b"x" * 3000), size_limit_mb=0.002)
        assert "larger than size_limit_mb" in note

    def test_without_end(self, tmp_path):
        def endless(handler):
            handler.send_response(200)
            handler.end_headers()
            while True:
                handler.wfile.write(b"x" * 1000)

        assert "larger" in self.ask(tmp_path, endless, size_limit_mb=0.05)[0]

    def test_a_packed_bomb(self, tmp_path):
        bomb = gzip.compress(b"0" * 5_000_000)
        assert len(bomb) < 10_000
        note, _ = self.ask(
            tmp_path, lambda h: reply(h, bomb, Content_Encoding="gzip"), size_limit_mb=0.1
        )
        assert "larger" in note

    def test_drip_by_drip(self, tmp_path):
        def slow(handler):
            handler.send_response(200)
            handler.end_headers()
            for _ in range(200):
                handler.wfile.write(b"x")
                time.sleep(0.05)

        began = time.monotonic()
        note, _ = self.ask(tmp_path, slow, timeout_s=0.1, tries=1)
        assert "takes longer" in note
        assert time.monotonic() - began < 5

    def test_silent(self, tmp_path):
        note, asked = self.ask(tmp_path, lambda _: time.sleep(0.4), timeout_s=0.1, tries=2)
        assert "in time" in note or "connection failed" in note
        assert len(asked) == 2

    def test_cut_off(self, tmp_path):
        def cut(handler):
            handler.send_response(200)
            handler.send_header("Content-Length", "1000")
            handler.end_headers()
            handler.wfile.write(b"t,T\n")
            handler.close_connection = True

        assert "connection failed" in self.ask(tmp_path, cut, tries=1)[0]

    def test_led_to_another_host_or_in_a_circle(self, tmp_path):
        away = lambda h: reply(h, b"", 302, Location="http://127.0.0.2/secret")  # noqa: E731
        assert "another host (127.0.0.2)" in self.ask(tmp_path, away)[0]
        port = lambda h: reply(h, b"", 302, Location="http://127.0.0.1:9/")  # noqa: E731
        assert "another host" in self.ask(tmp_path, port)[0]
        note, asked = self.ask(tmp_path, lambda h: reply(h, b"", 302, Location="/x"))
        assert "circle" in note
        assert len(asked) == web_request.MOST_REDIRECTS + 1

    def test_a_certificate_of_its_own(self, tmp_path):
        note, asked = self.ask_tls(tmp_path)
        assert "certificate cannot be trusted" in note
        assert asked == []

    def ask_tls(self, tmp_path):
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.load_cert_chain(self_signed(tmp_path))
        with serving(reply, tls=context) as (url, asked):
            bodies, notes, _, _ = fetch(farm(url + "/", tries=1), tmp_path)
        assert bodies == []
        return notes[0], asked


def self_signed(tmp_path):
    from cryptography import x509
    from cryptography.hazmat.primitives import hashes, serialization
    from cryptography.hazmat.primitives.asymmetric import ec

    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, "127.0.0.1")])
    now = datetime.now(UTC)
    certificate = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(1)
        .not_valid_before(now - timedelta(days=1))
        .not_valid_after(now + timedelta(days=1))
        .sign(key, hashes.SHA256())
    )
    path = tmp_path / "own.pem"
    path.write_bytes(
        key.private_bytes(
            serialization.Encoding.PEM,
            serialization.PrivateFormat.PKCS8,
            serialization.NoEncryption(),
        )
        + certificate.public_bytes(serialization.Encoding.PEM)
    )
    return path


def test_a_redirect_within_the_host_is_followed(tmp_path):
    def answer(handler):
        if handler.path == "/old":
            reply(handler, b"", 301, Location="/new")
        else:
            reply(handler, b"here")

    with serving(answer) as (url, _):
        assert fetch(farm(url + "/old"), tmp_path)[0] == [b"here"]


def test_what_has_not_changed_is_not_sent_again(tmp_path):
    sent = []

    def answer(handler):
        if handler.headers.get("If-None-Match") == '"v1"':
            sent.append(handler.headers.get("If-Modified-Since"))
            handler.send_response(304)
            handler.end_headers()
        else:
            reply(handler, b"t,T\n", ETag='"v1"', Last_Modified="Sat, 01 Jun 2024 00:00:00 GMT")

    with serving(answer) as (url, _):
        made, memory = farm(url + "/latest.csv"), {}
        assert len(fetch(made, tmp_path, memory)[0]) == 1
        bodies, notes, _, _ = fetch(made, tmp_path, memory)
        assert (bodies, notes) == ([], [])
        assert sent == ["Sat, 01 Jun 2024 00:00:00 GMT"]
        bodies, _, _, _ = fetch(made, tmp_path, memory)
        assert bodies == []  # the marks survive a 304
        other = farm(url + "/other.csv")
        assert len(fetch(other, tmp_path, memory)[0]) == 1


def test_secrets_stay_out_of_names_notes_memory_and_logs(tmp_path, monkeypatch, caplog):
    monkeypatch.setenv("STATION_TOKEN", "s3cret/token")
    got = []

    def answer(handler):
        got.append((handler.path, handler.headers["Authorization"]))
        reply(handler, b"no", 403 if len(got) > 1 else 200)

    caplog.set_level(logging.INFO)
    with serving(answer) as (url, _):
        made = farm(
            url + "/d?key={env:STATION_TOKEN}", headers={"Authorization": "env:STATION_TOKEN"}
        )
        memory = {}
        _, _, names, _ = fetch(made, tmp_path, memory)
        _, notes, _, _ = fetch(made, tmp_path, memory)
    assert got[0] == ("/d?key=s3cret%2Ftoken", "s3cret/token")
    said = json.dumps([names, notes, memory]) + (tmp_path / "memory.json").read_text() + caplog.text
    assert "s3cret" not in said
    monkeypatch.delenv("STATION_TOKEN")
    _, notes, _, _ = fetch(made, tmp_path)
    assert "the environment has no STATION_TOKEN" in notes[0]


def test_one_source_never_stops_the_others(tmp_path):
    with serving(reply) as (url, _):
        bodies, notes, _, _ = fetch(farm("http://127.0.0.1:9/", url + "/", tries=1), tmp_path)
    assert len(bodies) == len(notes) == 1


def test_an_outage_leaves_no_gap_and_nothing_double(tmp_path):
    down = threading.Event()

    def answer(handler):
        if down.is_set():
            reply(handler, b"", 500)
            return
        hourly(handler)

    begin = (datetime.now(UTC) - timedelta(days=12)).date()
    with serving(answer) as (url, _):
        toml = (
            FARM[: FARM.index("[[sources]]")]
            + f"""
[layouts.web]
step = "1 h"
time = {{columns = ["t"], offset = "Z"}}
[layouts.web.columns]
T = {{quantity = "air_temp"}}
[[sources]]
name = "web"
kind = "http"
layout = "web"
station = "west"
url = "{url}/?a={{since}}&b={{until}}"
time_format = "%Y%m%d%H"
begin = {begin}
piece_d = 5
pause_s = 0
tries = 1
"""
        )
        folder = make(tmp_path / "farm", toml)
        collect.collect(folder)
        first = ask(folder, "SELECT count(*) FROM weather_reading")[0][0]
        assert first >= 11 * 24  # the farm's day begins six hours after that of UTC
        down.set()
        assert "could not be read" in " ".join(collect.collect(folder).notes)
        down.clear()
        collect.collect(folder)
        count, span, doubled = ask(
            folder,
            "SELECT count(*), date_diff('hour', min(time), max(time)), "
            "(SELECT count(*) FROM superseded_reading) FROM weather_reading",
        )[0]
        assert count == span + 1
        assert doubled == 0
