"""The outbox on disk: a letter's bytes are written once and stay until the server accepts them.

``state/outbox/NAME.eml`` is what is sent, byte for byte the same at every try and so under one
Message-ID; ``NAME.json`` beside it is its state (waiting, sent or refused) and its bytes' hash. A
letter whose server's answer or whose note was lost still waits: it is sent again under the same
Message-ID, by which the reader's mail program can recognize it. One that is damaged is not sent.
"""

import hashlib
import json
from contextlib import suppress
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from email import message_from_bytes, policy
from email.message import EmailMessage
from typing import Literal

from flows.base import files
from flows.farm.folder import FarmFolder

State = Literal["waiting", "sent", "refused"]


@dataclass(slots=True)
class Letter:
    """One letter in the outbox and its state."""

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
            f"The digest of {letter.week} for {letter.reader} {state[letter.state]}: {letter.answer}"
            + (" 'checkstrip digest --send' tries again." if letter.state == "refused" else "")
            for letter in self.letters()
            if letter.state != "sent" and letter.tries
        ] + [
            f"The letter {self.path / name}.eml is damaged and was not sent. Make it again with: "
            f"checkstrip digest {self._root} --week {_week(name)} --send"
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
            return Letter(name, _week(name), reader, identity) if reader and identity else None
        known = note.sha256 or _digest(content)  # notes of older programs have none
        return note if note.state == "sent" or (content and _digest(content) == known) else None

    def find(self, message_id: str) -> Letter | None:
        """Return the letter of that Message-ID, or None."""
        return next((found for found in self.letters() if found.message_id == message_id), None)

    def put(self, message: EmailMessage, week: str, reader: str) -> Letter:
        """Keep a letter for sending; one of the same Message-ID stays as it is."""
        identity = str(message["Message-ID"])
        there = self.find(identity)
        if there is not None:
            return there
        name = f"{week}.{identity.partition('@')[0].rpartition('.')[2]}"
        content = message.as_bytes()
        letter = Letter(name, week, reader, identity, sha256=_digest(content))
        # The note first: a power cut between the two leaves no letter, and the digest is written again.
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


def _week(name: str) -> str:
    return name.partition(".")[0]
