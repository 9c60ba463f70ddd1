"""A simulated year by a faked clock: stations deliver, the office computer comes and goes.

The turns are those of ``run``: at every start of the computer what was missed, once, with the digest
of the last week; in the evening a collect; every four weeks an audit. The clock is that of Python
(time-machine), for every module at once.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from tests.faults import farms, forked
from tests.faults.post import Post
from tests.faults.table import Clock, Found

ZONE = ZoneInfo("America/Winnipeg")
OFF = (date(2024, 7, 10), date(2024, 7, 24))  # the office is closed for a fortnight
# No power at the eastern station: nothing was measured.
SILENT = (date(2024, 3, 3), date(2024, 3, 9))
LATE = {
    date(2024, 3, 1): date(2024, 3, 12),
    date(2024, 6, 1): date(2024, 9, 20),
    date(2024, 6, 2): date(2024, 12, 2),
}
HOUR = timedelta(hours=1)
AUDIT_D = 28


def toml(port: int) -> str:
    """Two stations: the western logger's clock follows daylight saving, the eastern one's does not."""
    text = farms.toml(port=port)
    head, _, rest = text.partition("[[sources]]")
    local = farms.FARM.partition("[layouts.hourly]")[2].replace(
        'offset = "-06:00"', f'zone = "{ZONE.key}"'
    )
    west = rest.replace('layout = "hourly"', 'layout = "local"', 1)
    return f"{head}\n[layouts.local]{local.replace('layouts.hourly', 'layouts.local')}\n[[sources]]{west}"


def line(at: datetime, local: bool, dry: bool) -> str:
    """What a station writes at a moment (UTC, the end of an hour)."""
    stamp = at.astimezone(ZONE) if local else at - timedelta(hours=6)
    number = int(at.timestamp()) // 3600
    return f"{stamp:%Y-%m-%d %H:%M}," + farms.usual(number % 8000, dry=dry).partition(",")[2]


@dataclass(slots=True)
class World:
    """The stations and their files up to now."""

    folder_drop: Path
    begin: datetime
    now: datetime
    written: set[str] = field(default_factory=set)
    measured: dict[str, int] = field(default_factory=lambda: {"west": 0, "east": 0})

    def until(self, now: datetime) -> None:
        """Let the files be as they are at a moment."""
        at = self.now
        grown: dict[str, list[str]] = {}
        while (at := at + HOUR) <= now:
            grown.setdefault(f"west {at.astimezone(ZONE):%Y-%m}.csv", []).append(
                line(at, True, False)
            )
            self.measured["west"] += 1
        for name, lines in grown.items():
            path = self.folder_drop / name
            with path.open("a") as out:
                out.write("" if path.stat().st_size else farms.HEADING + "\n")
                out.writelines(text + "\n" for text in lines)
        self.now = now
        day = self.begin.date()
        while day < now.date():
            name = f"east {day}.csv"
            if name not in self.written and now.date() >= LATE.get(day, day):
                self.written.add(name)
                self._day(name, day)
            day += timedelta(days=1)
        for path in self.folder_drop.iterdir():
            os.utime(path, (now.timestamp(), now.timestamp()))

    def _day(self, name: str, day: date) -> None:
        if SILENT[0] <= day <= SILENT[1]:
            return
        first = datetime(day.year, day.month, day.day, 6, tzinfo=UTC)
        hours = [first + HOUR * (i + 1) for i in range(24)]
        (self.folder_drop / name).write_bytes(farms.text([line(h, False, True) for h in hours]))
        self.measured["east"] += 24


def starts(begin: date, days: int, daily: bool) -> Iterator[datetime]:
    """The moments when the office computer is on, by its own clock.

    Morning and evening of each day, or Monday mornings only.
    """
    for number in range(days):
        day = begin + timedelta(days=number)
        if not OFF[0] <= day < OFF[1] and (daily or day.weekday() == 0):
            for hour in (7, 19) if daily else (7,):
                yield datetime(day.year, day.month, day.day, hour, 5, tzinfo=ZONE)


@dataclass(slots=True)
class Lived:
    """What came of the simulated time."""

    turns: int = 0
    memory_mb: list[tuple[str, float]] = field(default_factory=list)
    weeks: set[str] = field(default_factory=set)
    wrong: list[str] = field(default_factory=list)
    seconds: float = 0.0
    days: int = 0
    audits: int = 0
    readings: dict[str, int] = field(default_factory=dict)


def live(path: Path, begin: date, days: int, daily: bool, say: Callable[[str], None]) -> Lived:
    """Live through the days; ends with a full derive, and the same files landed quietly beside."""
    import time_machine

    from flows.farm.folder import FarmFolder
    from flows.pages.week import Week
    from flows.run import steps
    from transforms import order

    folder = FarmFolder.at(path)
    whole, few = order.DERIVED, forked.FEW
    lived, world = Lived(), None
    began = time.monotonic()
    for now in starts(begin, days, daily):
        if Clock.over():
            break
        with time_machine.travel(now, tick=True):
            at = now.astimezone(UTC)
            hour = at.replace(minute=0)
            world = world or World(
                folder.drop, datetime(begin.year, begin.month, begin.day, 6, tzinfo=UTC), hour
            )
            world.until(hour)
            morning = now.hour == 7
            order.DERIVED = whole if morning and now.weekday() == 0 else few  # type: ignore[assignment]
            work = (
                (*steps.TURN, steps.digest)
                if morning
                else (steps.collect, steps.publish, steps.post)
            )
            number = (now.date() - begin).days
            if morning and number // AUDIT_D > lived.audits:
                work, lived.audits = (*work, steps.audit), lived.audits + 1
            for run in steps.turn(folder, steps=work):
                if run.state == "failed":
                    lived.wrong.append(f"{now}: {run.flow}: {run.summary}")
            if morning:
                lived.weeks.add(Week.last_whole(at, ZONE.key).name)
            lived.turns += 1
            lived.days = number + 1
        if morning and (
            (now.day <= 2 + 5 * (not daily) and now.weekday() == 0) or number in (1, days - 1)
        ):
            lived.memory_mb.append((f"{now:%Y-%m-%d}", _memory_mb()))
            say(f"{now:%Y-%m-%d}, {lived.memory_mb[-1][1]:.0f} MB, {len(lived.wrong)} wrong")
    lived.seconds = time.monotonic() - began
    assert world is not None
    lived.readings = world.measured
    order.DERIVED = whole
    return lived


def _memory_mb() -> float:
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6


def _said(path: Path) -> tuple[str, dict[str, int], int]:
    """The checksum after a full derive, readings by station, and rows that do not add up."""
    from flows.derive import derive
    from flows.farm.folder import FarmFolder
    from flows.intake import collect
    from flows.store import checksum, warehouse

    folder = FarmFolder.at(path)
    collect.collect(folder)
    with warehouse.open_writer(folder) as con:
        derive.derive(con)
        counts = dict(
            con.sql("SELECT station, count(*) FROM weather_reading GROUP BY ALL").fetchall()
        )
        odd = con.sql(
            "SELECT count(*) FROM delivery "
            "WHERE rows_in <> rows_landed + rows_quarantined + rows_duplicate OR rows_quarantined > 0"
        ).fetchall()[0][0]
        return checksum.total(con), counts, odd


def quiet(path: Path, files: Path, port: int) -> None:
    """A farm folder with the same files, not landed yet."""
    folder = farms.make(path)
    (path / "farm.toml").write_text(toml(port))
    for old in folder.drop.iterdir():
        old.unlink()
    for file in sorted(files.iterdir()):
        (folder.drop / file.name).write_bytes(file.read_bytes())


def run(n: int, root: Path, say: Callable[[str], None], only: str = "") -> Found:
    """``n`` days; a whole year from New Year 2024, fewer from before the leap day.

    With a whole year the computer is on on Monday mornings only, unless ``only`` is ``daily``.
    """
    daily = n < 300 or only == "daily"
    begin = date(2024, 1, 1) if n >= 300 else date(2024, 2, 26)
    found = Found(
        "A simulated year",
        "days | turns | times as fast | readings | digests due | digests made | letters"
        " | sent twice | audits | checksum as of a quiet landing",
    )
    empty = root / "empty"
    empty.mkdir()
    with Post(root / "post") as post:
        forked.run(lambda: quiet(root / "farm", empty, post.port))
        child = forked.Child(lambda: live(root / "farm", begin, n, daily, say))
        ended = child.wait()
        if not isinstance(ended.value, Lived):
            found.wrong.append(ended.said[-2000:])
            return found
        lived = ended.value
        letters = post.letters()
    found.wrong += lived.wrong
    made = {p.stem for p in (root / "farm" / "digests").glob("????-W??.html")}
    twice = sum(len(copies) - 1 for copies in letters.values())
    if made != lived.weeks:
        found.wrong.append(
            f"digests of {sorted(made ^ lived.weeks)} are there and not due, or due and not there"
        )
    if len(letters) != 2 * len(lived.weeks) or twice:
        found.wrong.append(
            f"{len(letters)} letters for {len(lived.weeks)} weeks, {twice} sent twice"
        )
    forked.run(lambda: quiet(root / "quiet", root / "farm" / "drop", post.port))
    said, counts, odd = forked.run(lambda: _said(root / "farm"))  # type: ignore[misc]
    other, _, _ = forked.run(lambda: _said(root / "quiet"))  # type: ignore[misc]
    if said != other:
        found.wrong.append(f"the warehouse says {said}, a quiet landing of the same files {other}")
    if counts != lived.readings or odd:
        found.wrong.append(f"{counts} readings of {lived.readings}; {odd} deliveries do not add up")
    speed = round(lived.days * 86_400 / max(lived.seconds, 1))
    work = (lived.days, lived.turns, speed, sum(counts.values()), len(lived.weeks), len(made))
    same = "yes" if said == other else "no"
    found.rows.append((*work, len(letters), twice, lived.audits, same))
    told = ", ".join(f"{day} {mb:.0f}" for day, mb in lived.memory_mb)
    found.notes.append(f"Resident memory in MB: {told}.")
    return found
