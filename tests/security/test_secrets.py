"""What is secret is in the environment, and nowhere in the farm folder, in a log or in a message."""

import json
import logging

import pytest
from typer.testing import CliRunner

from flows.cli import app
from flows.farm import logs
from flows.pages.digest import write
from flows.pages.mail import send
from flows.pages.week import Week
from flows.run import steps
from flows.store import query
from schemas.farm.farm import Mail
from tests.flows.intake.sources.loopback import reply, serving
from tests.flows.loggers import WEB, make

TOKEN, HEADER, PASSWORD = "t0ken/ab%c+d", "bearer-9f8e7d", "smtp-p4ss word"
FORMS = ("t0ken", "bearer-9f8e7d", "smtp-p4ss")

TOML = (
    WEB
    + """
url = "URL/d?key={env:STATION_TOKEN}&a={since}&b={until}"
headers = {Authorization = "env:STATION_HEADER"}
tries = 1
timeout_s = 2
"""
)


def everything(folder):
    """Every byte of the farm folder, and every text that its tables hold."""
    held = b"".join(p.read_bytes() for p in folder.root.rglob("*") if p.is_file())
    with query.open_published(folder) as con:
        for name in query.tables(con):
            held += json.dumps(con.sql(f'FROM "{name}"').pl().to_dicts(), default=str).encode()
    return held


def away(handler):
    reply(handler, b"", 302, Location=f"http://127.0.0.2/{handler.path}")


def half(handler):
    handler.send_response(200)
    handler.send_header("Content-Length", "500")
    handler.end_headers()
    handler.wfile.write(b"t,T\n")


ANSWERS = {
    "good": lambda h: reply(h, b"t,T\n2024-05-01 00:00,5\n"),
    "refused": lambda h: reply(h, b"no", 403),
    "broken": lambda h: reply(h, b"", 500),
    "away": away,
    "half": half,
    "next page away": lambda h: reply(h, b"t,T\n", Link=f'<http://127.0.0.2{h.path}>; rel="next"'),
    "circle": lambda h: reply(h, b"", 302, Location=h.path),
}


@pytest.mark.parametrize("how", ANSWERS)
def test_a_tokens_and_headers_value_is_kept_nowhere(tmp_path, monkeypatch, capfd, caplog, how):
    monkeypatch.setenv("STATION_TOKEN", TOKEN)
    monkeypatch.setenv("STATION_HEADER", HEADER)
    caplog.set_level(logging.DEBUG)
    got = []

    def answer(handler):
        got.append((handler.path, handler.headers["Authorization"]))
        ANSWERS[how](handler)

    with serving(answer) as (url, _):
        folder = make(tmp_path / "farm", TOML.replace("URL", url))
        log = logs.to_file(folder)
        runs = steps.turn(folder)
        said = CliRunner().invoke(app, ["status", str(folder.root)]).output
        log.handlers.clear()
    assert any("t0ken%2Fab%25c%2Bd" in path and header == HEADER for path, header in got)
    told = said + "".join(str(run) for run in runs) + caplog.text + "".join(capfd.readouterr())
    held = everything(folder) + told.encode()
    assert not [word for word in FORMS if word.encode() in held]
    assert b"web" in held  # what is looked through is not nothing


def test_the_mails_password_is_kept_nowhere(tmp_path, monkeypatch, capfd, caplog):
    monkeypatch.setenv(send.PASSWORD, PASSWORD)
    caplog.set_level(logging.DEBUG)
    folder = make(tmp_path / "farm")
    steps.turn(folder)
    mail = Mail.model_validate(
        {
            "server": "127.0.0.1",
            "port": 9,
            "from": "a@b.example",
            "user": "u",
            "readers": [{"address": "c@d.example"}],
        }
    )
    write.write(folder, Week.named("2020-W23"), mail)
    sent = send.send(folder, mail)
    assert sent.waiting == 1
    told = str(sent) + caplog.text + "".join(capfd.readouterr())
    assert b"smtp-p4ss" not in everything(folder) + told.encode()


MAIL = """
[mail]
server = "s"
from = "a@b.c"
password = "hunter22"
readers = [{address = "c@d.e"}]
"""


def test_a_secret_in_the_farm_file_itself_is_not_asked_for(tmp_path):
    """A password has no key in [mail]; one that is put there is refused by its name alone."""
    folder = make(tmp_path / "farm")
    folder.farm_toml.write_text(folder.farm_toml.read_text() + MAIL)
    said = CliRunner().invoke(app, ["collect", str(folder.root)])
    told = said.output + str(said.exception)
    assert "password" in told
    assert "hunter22" not in told
