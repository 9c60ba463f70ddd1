"""The outbox on disk: a letter's bytes are written once and stay until the server accepts them.

``state/outbox/NAME.eml`` is what is sent, byte for byte the same at every try and so under one
Message-ID; ``NAME.json`` beside it is its state: waiting, sent or refused. A letter whose server's answer was
lost still waits: it is sent again under the same Message-ID, by which the reader's mail program
can recognize it.
"""

import json
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from email import message_from_bytes, policy
from email.message import EmailMessage
from pathlib import Path
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
    last_try: str | None = None
    sent_at: str | None = None

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

    def letters(self) -> list[Letter]:
        """Return all letters, by name."""
        return list(self._letters())

    def attention(self) -> list[str]:
        """Return a sentence for each letter that did not get through."""
        state = {"waiting": "waits for the next try", "refused": "was refused"}
        return [
            f"The digest of {letter.week} for {letter.reader} {state[letter.state]}: {letter.answer}"
            + (" 'checkstrip digest --send' tries again." if letter.state == "refused" else "")
            for letter in self.letters()
            if letter.state != "sent" and letter.tries
        ]

    def _letters(self) -> Iterator[Letter]:
        for path in sorted(self.path.glob("*.eml")):
            note = files.read_json(path.with_suffix(".json"))
            try:
                yield Letter(**note)
            except TypeError:  # the note was lost or is damaged: the letter itself has the rest
                yield self._from_bytes(path)

    def _from_bytes(self, path: Path) -> Letter:
        message = message_from_bytes(path.read_bytes(), policy=policy.SMTP)
        week = path.stem.partition(".")[0]
        return Letter(path.stem, week, str(message["To"]), str(message["Message-ID"]))

    def find(self, message_id: str) -> Letter | None:
        """Return the letter of that Message-ID, or None."""
        return next((found for found in self._letters() if found.message_id == message_id), None)

    def put(self, message: EmailMessage, week: str, reader: str) -> Letter:
        """Keep a letter for sending; one of the same Message-ID stays as it is."""
        identity = str(message["Message-ID"])
        there = self.find(identity)
        if there is not None:
            return there
        name = f"{week}.{identity.partition('@')[0].rpartition('.')[2]}"
        letter = Letter(name, week, reader, identity)
        # The note first: a power cut between the two leaves no letter, and the digest is made again.
        self.note(letter)
        files.write_bytes(self.path / f"{name}.eml", message.as_bytes())
        return letter

    def note(self, letter: Letter) -> None:
        """Write down a letter's state."""
        files.write_text(self.path / f"{letter.name}.json", json.dumps(asdict(letter), indent=1))

    def content(self, letter: Letter) -> bytes:
        """Return the bytes to send."""
        return (self.path / f"{letter.name}.eml").read_bytes()
