"""The outbox on disk: a letter's bytes are written once and stay until the server accepts them.

``state/outbox/NAME.eml`` is what is sent, byte for byte the same at every try and so under one
Message-ID; ``NAME.json`` beside it is its state (waiting, sent or refused) and its bytes' hash. A
letter whose server's answer or whose note was lost still waits: it is sent again under the same
Message-ID, by which the reader's mail program can recognize it. One that is damaged is not sent.
"""

import hashlib
import json
from base64 import urlsafe_b64decode, urlsafe_b64encode
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime
from email import message_from_bytes, policy
from email.message import EmailMessage, Message
from typing import Literal

from flows.base import files
from flows.farm.folder import FarmFolder

State = Literal["waiting", "sent", "refused"]
ALERT = "alert-"
_OPENED, _OVER = "Checkstrip-Opened", "Checkstrip-Over"


@dataclass(slots=True)
class Letter:
    """One letter in the outbox and its state; of an alert also what it named (``digest.alerts``).

    ``week`` is the week of a digest, or ``ALERT`` with the day of an alert.
    """

    name: str
    week: str
    reader: str
    message_id: str
    state: State = "waiting"
    tries: int = 0
    answer: str | None = None
    last_try: files.Stamp | None = None
    sent_at: files.Stamp | None = None
    sha256: str | None = None
    opened: list[str] = field(default_factory=list)
    over: list[str] = field(default_factory=list)

    def tried(self, state: State, answer: str) -> None:
        """Note a try and what came of it."""
        now = datetime.now(UTC).isoformat(timespec="seconds")
        self.tries += 1
        self.state, self.answer, self.last_try = state, answer, now
        self.sent_at = now if state == "sent" else self.sent_at


class Outbox:
    """The letters of one farm folder."""

    def __init__(self, folder: FarmFolder) -> None:
        self.path = folder.state / "outbox"
        self._root = folder.root

    def letters(self) -> list[Letter]:
        """Return all letters that are whole or were sent, by name."""
        return [letter for name in self._names() if (letter := self._letter(name))]

    def attention(self) -> list[str]:
        """Return a sentence for each letter that did not get through or is damaged."""
        state = {"waiting": "waits for the next try", "refused": "was refused"}
        return [
            f"{_title(letter.week)} for {letter.reader} {state[letter.state]}: {letter.answer}"
            + (" 'checkstrip digest --send' tries again." if letter.state == "refused" else "")
            for letter in self.letters()
            if letter.state != "sent" and letter.tries
        ] + [
            f"The letter {self.path / name}.eml is damaged and was not sent. "
            + (
                "What it said is mailed again in a new one; this file can be deleted."
                if name.startswith(ALERT)
                else f"Make it again with: checkstrip digest {self._root} --week {_week(name)} --send"
            )
            for name in self._names()
            if self._letter(name) is None
        ]

    def _names(self) -> list[str]:
        return sorted(
            {path.stem for kind in ("eml", "json") for path in self.path.glob(f"*.{kind}")}
        )

    def _letter(self, name: str) -> Letter | None:
        """Return a letter; None if it was not sent and its bytes are not those that were written."""
        content = b""
        with suppress(OSError):
            content = (self.path / f"{name}.eml").read_bytes()
        note = files.read_state(self.path / f"{name}.json", Letter)
        if note is None or note.name != name:  # lost or damaged: the letter itself has the rest
            message = message_from_bytes(content, policy=policy.SMTP)
            reader, identity = message["To"], message["Message-ID"]
            if not (reader and identity):
                return None
            opened, over = _named(message, _OPENED), _named(message, _OVER)
            return Letter(name, _week(name), reader, identity, opened=opened, over=over)
        known = note.sha256 or _digest(content)  # notes of older programs have none
        return note if note.state == "sent" or (content and _digest(content) == known) else None

    def find(self, message_id: str) -> Letter | None:
        """Return the letter of that Message-ID, or None."""
        return next((found for found in self.letters() if found.message_id == message_id), None)

    def put(
        self,
        message: EmailMessage,
        week: str,
        reader: str,
        opened: Sequence[str] = (),
        over: Sequence[str] = (),
    ) -> Letter:
        """Keep a letter for sending; one of the same Message-ID stays as it is.

        What an alert names is kept twice, in the note and in the letter, so that either may be lost.
        """
        identity = str(message["Message-ID"])
        there = self.find(identity)
        if there is not None:
            return there
        name = f"{week}.{identity.partition('@')[0].rpartition('.')[2]}"
        for header, keys in ((_OPENED, opened), (_OVER, over)):
            if keys:
                message[header] = " ".join(_packed(key) for key in keys)
        content = message.as_bytes()
        letter = Letter(name, week, reader, identity, sha256=_digest(content))
        letter.opened, letter.over = list(opened), list(over)
        # The note first: a power cut between the two leaves no letter, and it is written again.
        self.note(letter)
        files.write_bytes(self.path / f"{name}.eml", content)
        return letter

    def note(self, letter: Letter) -> None:
        """Write down a letter's state."""
        files.write_text(self.path / f"{letter.name}.json", json.dumps(asdict(letter), indent=1))

    def content(self, letter: Letter) -> bytes:
        """Return the bytes to send."""
        return (self.path / f"{letter.name}.eml").read_bytes()


def _digest(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()


def _packed(key: str) -> str:
    """Return a key as letters and digits in pieces: a mail breaks long header lines at spaces."""
    text = urlsafe_b64encode(key.encode()).decode()
    return " ".join([*(text[i : i + 60] for i in range(0, len(text), 60)), "."])


def _named(message: Message, header: str) -> list[str]:
    """Return the keys of a header; none if it is not there or damaged."""
    packed = "".join(str(message[header] or "").split()).split(".")
    with suppress(ValueError):
        return [urlsafe_b64decode(text).decode() for text in packed if text]
    return []


def _title(week: str) -> str:
    day = week.removeprefix(ALERT)
    return f"The digest of {week}" if day == week else f"The alert of {day}"


def _week(name: str) -> str:
    return name.partition(".")[0]
