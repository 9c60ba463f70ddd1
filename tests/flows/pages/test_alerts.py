"""Alerts over a real SMTP server: the day a finding appears, once a cause, over when it ends, one a day."""

from __future__ import annotations

import json
from datetime import UTC, date, datetime, timedelta
from email import message_from_bytes, policy
from email.message import EmailMessage
from pathlib import Path
from typing import Any

import pytest

from flows.farm.folder import FarmFolder
from flows.pages.digest import alerts
from flows.pages.mail import send
from flows.pages.mail.outbox import Outbox
from flows.pages.published_tables import Tables
from flows.run import steps
from flows.trust import status
from schemas.farm.farm import Mail
from tests.flows.pages import farm
from tests.flows.pages.page_text import PageReader, flat, numbers
from tests.flows.pages.smtp import Post, rested, running, settings

FIRST = datetime(2024, 7, 1, 12, tzinfo=UTC)


def day(number: int) -> datetime:
    return FIRST + timedelta(days=number)


@pytest.fixture
def mail(port: int) -> Mail:
    return settings(port, alerts=True)


class Farm:
    """The published farm as it is on each day: healthy but for the findings that are given."""

    def __init__(self, tables: farm.MemoryTables, monkeypatch: pytest.MonkeyPatch) -> None:
        self._tables = tables.without("station_health", "station_spell", "probe_spell")
        monkeypatch.setattr(alerts, "Tables", lambda _con: self.now)
        self.now: Tables = self._tables

    def has(self, *rows: dict[str, Any]) -> None:
        self.now = self._tables.with_rows("station_health", *rows)

    def silent(self, number: int, since: date, apart: int = 0) -> None:
        names = [f"station {i:02}" for i in range(number)]
        spells = [{"station": n, "from_day": date(2024, 4, 1), "field": "Home"} for n in names]
        days = [
            {"station": n, "day": since + timedelta(days=apart * i), "rain_mm": 1.0}
            | {"readings": 24, "partial": False}
            for i, n in enumerate(names)
        ]
        self.now = self._tables.with_rows("station_spell", *spells).with_rows("weather_day", *days)


@pytest.fixture
def its(tables: farm.MemoryTables, monkeypatch: pytest.MonkeyPatch) -> Farm:
    return Farm(tables, monkeypatch)


def finding(**changes: Any) -> dict[str, Any]:
    row = (
        {"kind": "probe", "instrument": "probe T", "field": "Home", "strip": "treated"}
        | {"part": "100 cm", "depth_cm": 100.0, "finding": "impossible", "current": True}
        | {"from_day": date(2024, 6, 30), "to_day": date(2024, 6, 30), "state": "found"}
        | {"severity": "hands", "advice": "Replace the sensor.", "coverage": 1.0}
    )
    return row | changes


BATTERY = finding(part="battery", depth_cm=None, finding="battery failing", advice="Charge it.")
CLOCK = finding(
    instrument="probe C", part="whole", depth_cm=None, finding="clock", advice="Set it."
)


def opened(post: Post) -> list[EmailMessage]:
    found = [message_from_bytes(one, policy=policy.SMTP) for one in post.taken]
    return [one for one in found if isinstance(one, EmailMessage)]


def words(message: EmailMessage) -> str:
    body = message.get_body(("plain",))
    assert body is not None
    return flat(body.get_content())


def subjects(folder: FarmFolder) -> list[str]:
    found = [
        message_from_bytes(path.read_bytes(), policy=policy.SMTP)["Subject"]
        for path in sorted((folder.state / "outbox").glob("*.eml"))
    ]
    return [str(one).replace("\N{NO-BREAK SPACE}", " ") for one in found]


def test_a_finding_is_mailed_the_day_it_appears_once_and_when_it_is_over(folder, mail, port, its):
    post = Post()
    with running(post, port):
        for number, found in enumerate(([], [finding()], [finding()], [], [])):
            its.has(*found)
            alerts.write(folder, mail, day(number))
            send.send(folder, mail, all_now=True)
            assert len(post.taken) == [0, 1, 1, 2, 2][number]
    first, last = opened(post)
    assert first["To"] == "grower@example.org"
    assert "probe T, 100 cm: impossible" in flat(first["Subject"])
    assert "One sensor needs you." in words(first)
    assert "impossible since 30 June 2024. Replace the sensor." in words(first)
    assert "is over." in words(last)
    assert "One thing over." in words(last)
    html = first.get_body(("html",))
    assert html is not None
    assert numbers(words(first)) == numbers(PageReader(html.get_content()).words)


def test_a_cause_is_mailed_once_whatever_the_checks_call_it_next(folder, mail, its):
    its.has(finding())
    assert len(alerts.write(folder, mail, day(0))) == 1
    its.has(finding(), finding(finding="stuck", from_day=date(2024, 7, 1)))
    assert alerts.write(folder, mail, day(1)) == []
    its.has(finding(severity="watch"))
    (over,) = alerts.write(folder, mail, day(2))
    assert len(over.over) == 1


def test_sixteen_stations_are_one_mail_and_one_thing(folder, mail, its):
    its.silent(16, since=date(2024, 6, 20))
    (letter,) = alerts.write(folder, mail, day(0))
    assert len(letter.opened) == 16
    assert "station 00 is silent" in subjects(folder)[0]
    assert "more thing" not in subjects(folder)[0]
    its.silent(17, since=date(2024, 6, 20))
    assert alerts.write(folder, mail, day(1)) == [], "one more of the same cause"
    its.has()
    (letter,) = alerts.write(folder, mail, day(2))
    assert len(letter.over) == 16
    assert "ten others: silent is over" in subjects(folder)[1]


def test_there_is_never_more_than_one_a_day(folder, mail, its):
    its.has(finding())
    assert len(alerts.write(folder, mail, day(0))) == 1
    its.has(finding(), CLOCK)
    for hour in range(0, 16, 3):
        assert alerts.write(folder, mail, day(0) + timedelta(hours=hour)) == []
    # 05:00 UTC is midnight in Winnipeg: the day is the farm's.
    assert len(alerts.write(folder, mail, datetime(2024, 7, 2, 5, 1, tzinfo=UTC))) == 1
    assert "clock" in subjects(folder)[1]


def test_what_begins_and_ends_on_one_day_is_one_mail(folder, mail, its):
    its.has(finding())
    alerts.write(folder, mail, day(0))
    its.has(BATTERY, CLOCK)
    (letter,) = alerts.write(folder, mail, day(1))
    assert (len(letter.opened), len(letter.over)) == (2, 1)
    assert "and two more things" in flat(subjects(folder)[1])


def test_what_a_silent_instrument_had_is_not_said_to_be_over(folder, mail, its):
    row = {"kind": "station", "instrument": "station 00", "part": "rain gauge", "depth_cm": None}
    its.has(finding(**row, finding="gauge blocked"))
    alerts.write(folder, mail, day(0))
    its.silent(1, since=date(2024, 6, 20))
    (letter,) = alerts.write(folder, mail, day(1))
    assert letter.over == []
    assert "silent" in letter.opened[0]


@pytest.mark.parametrize("changes", [{"severity": "watch"}, {"current": False}, {"state": "good"}])
def test_only_what_needs_somebody_now_is_mailed(folder, mail, its, changes):
    its.has(finding(**changes))
    assert alerts.write(folder, mail, day(0)) == []


def test_each_reader_chooses(folder, port, its):
    its.has(finding())
    readers = [
        {"address": "a@example.org"},
        {"address": "b@example.org", "alerts": False},
        {"address": "c@example.org", "alerts": True, "units": "us"},
    ]
    everyone = settings(port, alerts=True, readers=readers)
    assert [one.reader for one in alerts.write(folder, everyone, day(0))] == [
        "a@example.org",
        "c@example.org",
    ]
    assert "100 cm: impossible" in subjects(folder)[0] + subjects(folder)[1]
    assert "39 in: impossible" in subjects(folder)[0] + subjects(folder)[1]
    nobody = settings(port, readers=readers)
    assert [one.reader for one in alerts.write(folder, nobody, day(1))] == []
    assert [one.address for one in nobody.alerted] == ["c@example.org"]


# ---- crashes and lost answers ----------------------------------------------------------------


def test_a_crash_before_the_letter_is_whole_loses_nothing(folder, mail, its, monkeypatch):
    its.has(finding())
    real = Outbox.note

    def killed(self: Outbox, letter: Any) -> None:
        real(self, letter)
        raise KeyboardInterrupt

    with monkeypatch.context() as during:
        during.setattr(Outbox, "note", killed)
        with pytest.raises(KeyboardInterrupt):
            alerts.write(folder, mail, day(0))
    assert Outbox(folder).letters() == []
    assert len(alerts.write(folder, mail, day(0))) == 1
    assert len(Outbox(folder).letters()) == 1


def test_a_lost_answer_and_a_lost_note_say_nothing_twice(folder, mail, port, its):
    its.has(finding())
    alerts.write(folder, mail, day(0))
    post = Post()
    post.drop_after = True
    with running(post, port):
        assert send.send(folder, mail).waiting == 1
        next((folder.state / "outbox").glob("alert-*.json")).write_text("{ torn")
        post.drop_after = False
        assert alerts.write(folder, mail, day(0)) == []
        assert alerts.write(folder, mail, day(1)) == [], "the letter itself says what it named"
        assert send.send(folder, mail, all_now=True).sent == 1
    assert len(post.taken) == 2
    assert post.taken[0] == post.taken[1], "the same bytes under the same Message-ID"
    assert len({str(one["Message-ID"]) for one in opened(post)}) == 1


def test_names_of_any_kind_come_back_from_a_letter_alone(folder, mail, its):
    long = "Зонд \t" + farm.HOSTILE_NAME * 4
    its.has(finding(instrument=long))
    (before,) = alerts.write(folder, mail, day(0))
    next((folder.state / "outbox").glob("*.json")).unlink()
    (after,) = Outbox(folder).letters()
    assert after.opened == before.opened
    assert json.loads(after.opened[0])[1] == long


def test_a_refused_alert_is_named_as_such(folder, mail, port, its):
    its.has(finding())
    alerts.write(folder, mail, day(0))
    post = Post()
    post.recipient = "550 no such person"
    with running(post, port):
        assert send.send(folder, mail).refused == 1
    told = " ".join(status.status(folder).attention)
    assert "The alert of 2024-07-01 for grower@example.org was refused" in told


# ---- the step of a turn ----------------------------------------------------------------------


def farm_toml(folder: FarmFolder, port: int, more: str) -> None:
    folder.farm_toml.write_text(
        folder.farm_toml.read_text()
        + '\n[mail]\nserver = "127.0.0.1"\nsecurity = "none"\nfrom = "farm@example.org"\n'
        + f'port = {port}\nreaders = [{{ address = "grower@example.org" }}]\n{more}\n'
    )


def test_the_step_mails_once_and_is_silent_otherwise(
    folder: FarmFolder, port: int, its: Farm
) -> None:
    assert steps.alert in steps.TURN
    assert steps.alert in steps.MISSED
    its.has(finding())
    farm_toml(folder, port, "alerts = true")
    post = Post()
    run = steps.alert(folder)
    assert run is not None
    assert run.state == "attention", "nobody listens yet"
    with running(post, port):
        assert steps.alert(folder) is None, "it rests before the next try"
        rested(folder)
        run = steps.alert(folder)
        assert run is not None
        assert (run.flow, run.state) == ("alert", "done")
        assert steps.alert(folder) is None
    assert len(post.taken) == 1


def test_without_alerts_nothing_is_looked_at(folder: FarmFolder, port: int, its: Farm) -> None:
    its.has(finding())
    assert steps.alert(folder) is None
    farm_toml(folder, port, "")
    assert steps.alert(folder) is None
    assert Outbox(folder).letters() == []


def test_the_real_published_farm_gives_an_alert(
    folder: FarmFolder, mail: Mail, tmp_path: Path
) -> None:
    """No tables of ours between: the farm of these tests has been silent since September 2024."""
    (letter,) = alerts.write(folder, mail, datetime(2025, 1, 10, 12, tzinfo=UTC))
    assert all("silent" in key or "gauge" in key for key in letter.opened)
    assert any("silent" in key for key in letter.opened)
