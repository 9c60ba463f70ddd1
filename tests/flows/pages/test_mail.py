"""Mail over a real SMTP server on loopback that accepts, refuses, drops and is away."""

from __future__ import annotations

import datetime as dt
import ssl
import subprocess
from email import message_from_bytes, policy
from email.message import EmailMessage
from pathlib import Path
from typing import Any

import pytest
from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP as Server
from aiosmtpd.smtp import AuthResult

from flows.base.errors import UserError
from flows.farm import farm_file
from flows.farm.folder import FarmFolder
from flows.pages.digest import write
from flows.pages.mail import message, send
from flows.pages.mail.outbox import Outbox
from flows.pages.week import Week
from flows.run import steps
from flows.trust import status
from schemas.farm.farm import Mail
from tests.flows.pages import farm
from tests.flows.pages.page_text import PageReader, numbers
from tests.flows.pages.smtp import Post, rested, running, settings

WEEK = Week.named(farm.WEEK_IN_SEASON)
QUIET = Week.named("2024-W15")
SELF_SIGNED = (
    *("openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2"),
    *("-subj", "/CN=127.0.0.1", "-addext", "subjectAltName=IP:127.0.0.1"),
)
WRONG_SETTINGS = """
this computer | server="mail.example.org" from="a@b.org" readers=[{address="c@d.org"}] security="none"
mail.from     | server="mail.example.org" from="nobody" readers=[{address="c@d.org"}]
readers       | server="mail.example.org" from="a@b.org" readers=[]
twice         | server="mail.example.org" from="a@b.org" readers=[{address="c@d.org"},{address="C@d.org"}]
password      | server="mail.example.org" from="a@b.org" readers=[{address="c@d.org"}] password="x"
"""


@pytest.fixture
def mail(port: int) -> Mail:
    return settings(port)


def letters(folder: FarmFolder) -> list[str]:
    return [letter.state for letter in Outbox(folder).letters()]


def ids(post: Post) -> list[str]:
    return [str(message_from_bytes(m, policy=policy.SMTP)["Message-ID"]) for m in post.taken]


def test_a_digest_arrives_whole_once(folder, mail, port):
    post = Post()
    write.write(folder, WEEK, mail)
    with running(post, port):
        assert send.send(folder, mail).sent == 1
        assert send.send(folder, mail, all_now=True).sent == 0
        write.write(folder, WEEK, mail)
        assert send.send(folder, mail, all_now=True).sent == 0
    assert len(post.taken) == 1
    got = message_from_bytes(post.taken[0], policy=policy.SMTP)
    assert isinstance(got, EmailMessage)
    assert len(post.taken[0]) < message.LIMIT
    assert got["To"] == "grower@example.org"
    assert "24 to 30 June 2024" in got["Subject"]
    text, html = got.get_body(("plain",)), got.get_body(("html",))
    assert text is not None
    assert html is not None
    reader = PageReader(html.get_content())
    assert numbers(text.get_content()) == numbers(reader.words)
    images = [part for part in got.walk() if part.get_content_maintype() == "image"]
    pictures = {part["Content-ID"][1:-1]: part for part in images}
    assert pictures
    for cid, part in pictures.items():
        assert f'src="cid:{cid}"' in html.get_content()
        assert part.get_content()[:8] == b"\x89PNG\r\n\x1a\n"
    assert all(reader.alts)
    assert len(reader.alts) == len(pictures)
    assert "http" not in html.get_content()
    assert (folder.digests / f"{WEEK.name}.html").exists()
    assert str(folder.digests / f"{WEEK.name}.html") in text.get_content().replace("\n", "")


def test_a_server_that_is_away_for_a_week_costs_nothing(folder, mail, port):
    """Two weeks' digests, tried day by day against a closed port, then sent: both, once each."""
    for week in (QUIET, Week.of(QUIET.monday - dt.timedelta(days=1))):
        write.write(folder, week, mail)
        for _day in range(3):
            assert send.send(folder, mail).sent == 0
            rested(folder)
    assert letters(folder) == ["waiting", "waiting"]
    assert any("waits for the next try" in told for told in status.status(folder).attention)
    post = Post()
    with running(post, port):
        assert send.send(folder, mail).sent == 2
    assert len(set(ids(post))) == len(post.taken) == 2
    assert letters(folder) == ["sent", "sent"]
    assert not any("digest of" in told for told in status.status(folder).attention)


def test_a_connection_cut_amid_the_message_is_tried_again(folder, mail, port):
    post = Post()
    post.drop = True
    write.write(folder, QUIET, mail)
    with running(post, port):
        found = send.send(folder, mail)
        assert (found.sent, found.waiting) == (0, 1)
        assert not post.taken
        post.drop = False
        assert send.send(folder, mail).sent == 0, "it rests before the next try"
        rested(folder, 1)
        assert send.send(folder, mail).sent == 1
    assert len(post.taken) == 1


def test_a_lost_answer_is_sent_again_under_the_same_id(folder, mail, port):
    post = Post()
    post.drop_after = True
    write.write(folder, QUIET, mail)
    with running(post, port):
        assert send.send(folder, mail).waiting == 1
        post.drop_after = False
        rested(folder)
        assert send.send(folder, mail).sent == 1
    assert len(post.taken) == 2
    assert len(set(ids(post))) == 1
    assert post.taken[0] == post.taken[1]


@pytest.mark.parametrize(
    ("what", "answer"), [("recipient", "550 no such person"), ("data", "552 too large for us")]
)
def test_a_refusal_for_good_is_kept_and_shown(folder, mail, port, what, answer):
    post = Post()
    setattr(post, what, answer)
    write.write(folder, QUIET, mail)
    with running(post, port):
        assert send.send(folder, mail).refused == 1
        rested(folder)
        assert send.send(folder, mail).refused == 0, "it is not tried by itself"
        told = " ".join(status.status(folder).attention)
        assert answer[4:] in told
        assert "was refused" in told
        setattr(post, what, "250 OK")
        assert send.send(folder, mail, all_now=True).sent == 1
    assert len(post.taken) == 1


def test_a_refusal_for_now_waits(folder, mail, port):
    post = Post()
    post.recipient = "451 try later"
    write.write(folder, QUIET, mail)
    with running(post, port):
        assert send.send(folder, mail).waiting == 1
    assert letters(folder) == ["waiting"]


def test_readers_have_their_own_units_and_letters(folder, port):
    readers = [{"address": "a@example.org", "units": "us"}, {"address": "b@example.org"}]
    mail, post = settings(port, readers=readers), Post()
    write.write(folder, QUIET, mail)
    with running(post, port):
        assert send.send(folder, mail).sent == 2
    bodies = {}
    for one in post.taken:
        got = message_from_bytes(one, policy=policy.SMTP)
        bodies[got["To"]] = got.get_body(("plain",)).get_content()
    assert "\N{NO-BREAK SPACE}in" in bodies["a@example.org"]
    assert "\N{NO-BREAK SPACE}mm" in bodies["b@example.org"]
    assert len(set(ids(post))) == 2
    assert (folder.digests / f"{QUIET.name}.us.html").exists()


@pytest.fixture(scope="module")
def certificate(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    where = tmp_path_factory.mktemp("tls")
    key, cert = where / "key.pem", where / "cert.pem"
    try:
        subprocess.run(
            [*SELF_SIGNED, "-keyout", key, "-out", cert], check=True, capture_output=True
        )
    except FileNotFoundError:
        pytest.skip("openssl is not on this computer to make a certificate with")
    return key, cert


@pytest.mark.parametrize("security", ["starttls", "tls"])
def test_login_only_over_a_safe_connection(folder, port, certificate, monkeypatch, security):
    key, cert = certificate
    context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    context.load_cert_chain(cert, key)
    seen = []

    def login(server: Any, session: Any, envelope: Any, mechanism: str, given: Any) -> AuthResult:
        seen.append((given.login, given.password))
        return AuthResult(success=given.password == b"right", handled=False)

    starttls = security == "starttls"

    class Guarded(Controller):
        def factory(self) -> Server:
            return Server(
                self.handler,
                authenticator=login,
                auth_required=True,
                require_starttls=starttls,
                auth_require_tls=starttls,
                tls_context=context if starttls else None,
            )

    post = Post()
    whole = None if starttls else context
    server = Guarded(post, hostname="127.0.0.1", port=port, ssl_context=whole)
    monkeypatch.setenv("SSL_CERT_FILE", str(cert))
    mail = settings(port, security=security, user="farm")
    write.write(folder, QUIET, mail)
    server.start()
    try:
        monkeypatch.setenv(send.PASSWORD, "wrong")
        found = send.send(folder, mail)
        assert found.waiting == 1
        assert "does not accept user or password" in found.why
        (note,) = (folder.state / "outbox").glob("*.json")
        assert "wrong" not in note.read_text()
        monkeypatch.setenv(send.PASSWORD, "right")
        assert send.send(folder, mail, all_now=True).sent == 1
        monkeypatch.delenv("SSL_CERT_FILE")
        write.write(folder, Week.named("2024-W16"), mail)
        distrusted = send.send(folder, mail)
        assert distrusted.waiting == 1
        assert "is not safe" in distrusted.why
    finally:
        server.stop()
    # One try with a password may use several ways to log in.
    assert seen[-1] == (b"farm", b"right")
    assert set(seen[:-1]) == {(b"farm", b"wrong")}
    assert len(post.taken) == 1


def test_no_starttls_no_letter(folder, port, monkeypatch):
    """A server without STARTTLS gets neither the password nor the letter."""
    monkeypatch.setenv(send.PASSWORD, "right")
    mail, post = settings(port, security="starttls", user="farm"), Post()
    write.write(folder, QUIET, mail)
    with running(post, port):
        assert send.send(folder, mail).waiting == 1
    assert not post.taken


def test_a_password_that_is_not_known_is_said(folder, port, monkeypatch):
    monkeypatch.delenv(send.PASSWORD, raising=False)
    monkeypatch.setenv("PYTHON_KEYRING_BACKEND", "keyring.backends.null.Keyring")
    mail = settings(port, user="farm")
    write.write(folder, QUIET, mail)
    with running(Post(), port):
        assert "no password is known for farm" in send.send(folder, mail).why


def test_the_outbox_survives_a_lost_note(folder, mail, port):
    write.write(folder, QUIET, mail)
    before = Outbox(folder).letters()[0].message_id
    next((folder.state / "outbox").glob("*.json")).write_text("{ torn")
    post = Post()
    with running(post, port):
        assert send.send(folder, mail).sent == 1
    assert ids(post) == [before]


def test_the_weekly_step_makes_a_digest_once_and_sends_it(folder, port):
    folder.farm_toml.write_text(
        folder.farm_toml.read_text()
        + '\n[mail]\nserver = "127.0.0.1"\nsecurity = "none"\nfrom = "farm@example.org"\n'
        + f'port = {port}\nreaders = [{{ address = "grower@example.org" }}]\n'
    )
    run = steps.digest(folder)
    assert run.state == "attention", "nobody listens yet"
    post = Post()
    rested(folder)
    with running(post, port):
        run = steps.digest(folder)
        assert (run.state, len(post.taken)) == ("done", 1)
        assert "made already" in run.summary
        assert steps.digest(folder).state == "done"
        assert "No mail waits" in steps.post(folder).summary
    assert len(post.taken) == 1


def test_mail_settings_that_are_wrong_are_said_plainly(tmp_path):
    path = tmp_path / "farm.toml"
    for line in WRONG_SETTINGS.strip().splitlines():
        fault, _, wrong = line.partition("|")
        path.write_text(farm.FARM_TOML + "\n[mail]\n" + "\n".join(wrong.split()))
        with pytest.raises(UserError, match=fault.strip()):
            farm_file.load(path)
