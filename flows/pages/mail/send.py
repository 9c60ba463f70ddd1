"""Send what waits in the outbox, by SMTP with STARTTLS or TLS."""

import smtplib
import ssl
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from flows.base import lock
from flows.farm.bounds import Bounds
from flows.farm.folder import FarmFolder
from flows.pages.mail.outbox import Letter, Outbox
from schemas.farm.farm import Mail

PASSWORD = "CHECKSTRIP_MAIL_PASSWORD"  # noqa: S105
SERVICE = "checkstrip"
TIMEOUT_S = 60.0
_FIRST_PAUSE, _LONGEST_PAUSE = timedelta(minutes=10), timedelta(hours=6)


@dataclass(slots=True)
class Sent:
    """What a round of sending did, and the server's last error."""

    sent: int = 0
    waiting: int = 0
    refused: int = 0
    why: str = ""

    def __str__(self) -> str:
        """In a sentence."""
        if not (self.sent or self.waiting or self.refused):
            return "No mail waits to be sent."
        counts = ((self.sent, "sent"), (self.waiting, "waiting for the next try"))
        parts = [f"{n} {state}" for n, state in (*counts, (self.refused, "refused")) if n]
        return f"Mail: {', '.join(parts)}." + (f" {self.why}" if self.why else "")


def password(mail: Mail, bounds: Bounds) -> str | None:
    """Return the password from the environment or the system's keyring; None if neither has it.

    A hosted farm gets none of the keyring, since that is the host's.
    """
    if mail.user is None:
        return None
    given = bounds.secret(PASSWORD)
    if given or bounds.hosting is not None:
        return given
    with suppress(Exception):  # a system without a keyring has many ways to say so
        import keyring  # noqa: PLC0415 - for start-up time: few mail servers need a password

        return keyring.get_password(SERVICE, mail.user)
    return None


def send(folder: FarmFolder, mail: Mail, *, all_now: bool = False) -> Sent:
    """Try the letters that are due; with ``all_now`` all that are not sent, refused ones too.

    A letter is noted as sent only after the server's own acceptance. One that could not be handed
    over waits, with growing pauses up to six hours; one that the server refuses for good is kept
    with its answer until somebody asks for it to be tried again.
    """
    outbox = Outbox(folder)
    if not _due(outbox, all_now):
        return Sent()
    done, bounds = Sent(), Bounds.of(folder.root)
    with lock.hold(folder.state / "outbox.lock", "sending mail"):
        down = False
        for letter in _due(outbox, all_now):
            if down:  # the next would only wait for the same silence
                done.waiting += 1
                continue
            try:
                _hand_over(mail, letter, outbox.content(letter), bounds)
                letter.tried("sent", "accepted")
                done.sent += 1
            except (OSError, smtplib.SMTPException) as error:
                done.why = reason(error, mail)
                down = not _of_the_letter(error)
                refused = _for_good(error)
                letter.tried("refused" if refused else "waiting", done.why)
                done.refused += refused
                done.waiting += not refused
            outbox.note(letter)
    return done


def trouble(mail: Mail, bounds: Bounds) -> str:
    """Return why the server cannot be used, in a sentence; empty if it can. Nothing is sent."""
    try:
        server = _connect(mail, bounds)
        try:
            secret = password(mail, bounds)
            if mail.user is not None and secret is not None:
                server.login(mail.user, secret)
        finally:
            server.close()
    except (OSError, smtplib.SMTPException) as error:
        return reason(error, mail)
    return ""


def anything_due(folder: FarmFolder) -> bool:
    """Return whether a letter waits and its time has come."""
    return bool(_due(Outbox(folder), False))


def _due(outbox: Outbox, all_now: bool) -> list[Letter]:
    now = datetime.now(UTC)
    if all_now:
        return [letter for letter in outbox.letters() if letter.state != "sent"]
    return [
        letter
        for letter in outbox.letters()
        if letter.state == "waiting"
        and (
            letter.last_try is None
            or now >= datetime.fromisoformat(letter.last_try) + pause(letter.tries)
        )
    ]


def pause(tries: int) -> timedelta:
    """Return how long a letter rests after this many tries."""
    return min(_LONGEST_PAUSE, _FIRST_PAUSE * 2.0 ** min(tries - 1, 12))


def _hand_over(mail: Mail, letter: Letter, content: bytes, bounds: Bounds) -> None:
    """Give one letter to the server; return after its acceptance, raise otherwise."""
    server = _connect(mail, bounds)
    try:
        secret = password(mail, bounds)
        if mail.user is not None:
            if secret is None:
                raise smtplib.SMTPException(
                    f"no password is known for {mail.user}: set {PASSWORD}, or put it into the "
                    f"keyring as service {SERVICE}"
                )
            server.login(mail.user, secret)
        server.sendmail(mail.sender, [letter.reader], content)
    except BaseException:
        server.close()
        raise
    # Taken is taken, whatever becomes of the goodbye.
    with suppress(OSError, smtplib.SMTPException):
        server.quit()


def _connect(mail: Mail, bounds: Bounds) -> smtplib.SMTP:
    context = ssl.create_default_context()
    bounds.refuse_server(mail.server)
    server: smtplib.SMTP
    if mail.security == "tls":
        server = smtplib.SMTP_SSL(mail.server, mail.port, timeout=TIMEOUT_S, context=context)
    else:
        server = smtplib.SMTP(mail.server, mail.port, timeout=TIMEOUT_S)
    try:
        if server.sock is not None:
            bounds.refuse_peer(mail.server, server.sock)
        if mail.security == "starttls":
            server.starttls(context=context)  # raises where the server has none: never in the clear
    except BaseException:
        server.close()
        raise
    return server


def _of_the_letter(error: Exception) -> bool:
    """Return whether the server's answer is about this letter, not about the server."""
    return isinstance(
        error, smtplib.SMTPRecipientsRefused | smtplib.SMTPDataError | smtplib.SMTPSenderRefused
    )


def _for_good(error: Exception) -> bool:
    """Return whether a refusal is final: a code of 500 or more (RFC 5321, 4.2.1)."""
    if isinstance(error, smtplib.SMTPRecipientsRefused):
        return all(code >= 500 for code, _ in error.recipients.values())
    return (
        isinstance(error, smtplib.SMTPDataError | smtplib.SMTPSenderRefused)
        and error.smtp_code >= 500
    )


def reason(error: Exception, mail: Mail) -> str:
    """Return what went wrong, in a sentence and without secrets."""
    where = f"the mail server {mail.server}"
    if isinstance(error, smtplib.SMTPAuthenticationError):
        return f"{where.capitalize()} does not accept user or password ({error.smtp_code})."
    if isinstance(error, smtplib.SMTPRecipientsRefused):
        code, text = next(iter(error.recipients.values()))
        return f"{where.capitalize()} refuses the reader: {code} {_plain(text)}."
    if isinstance(error, smtplib.SMTPResponseException):
        return f"{where.capitalize()} says {error.smtp_code} {_plain(error.smtp_error)}."
    if isinstance(error, ssl.SSLError):
        return f"The connection to {where} is not safe: {error.reason or error}."
    return f"{where.capitalize()} (port {mail.port}) could not take it: {str(error).rstrip('.')}."


def _plain(text: bytes | str) -> str:
    plain = text.decode("utf-8", "replace") if isinstance(text, bytes) else text
    return " ".join(plain.split()).rstrip(".")
