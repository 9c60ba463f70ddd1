"""Make a week's digest: save it, and put a letter for each reader into the outbox."""

from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

from flows.base import files
from flows.farm import farm_file
from flows.farm.folder import FarmFolder
from flows.pages import render
from flows.pages.digest import make
from flows.pages.mail import message
from flows.pages.mail.outbox import Letter, Outbox
from flows.pages.published_tables import Tables
from flows.pages.reader_units import System
from flows.pages.week import Week
from flows.pages.year import write as year
from flows.store import query
from schemas.farm.farm import Mail


@dataclass(slots=True)
class Written:
    """What was made: the files of a week, and the letters that wait."""

    week: str
    paths: list[Path] = field(default_factory=list)
    letters: list[Letter] = field(default_factory=list)


def last_week(folder: FarmFolder, now: datetime | None = None) -> Week:
    """Return the last week that is over by the farm's clock."""
    farm = farm_file.load(folder.farm_toml)
    return Week.last_whole(now or datetime.now(UTC), farm.place.time_zone)


def path(folder: FarmFolder, week: Week, system: System | None = None) -> Path:
    """Return where a week's digest is saved, in the farm's units or in others."""
    return folder.digests / (f"{week.name}.{system}.html" if system else f"{week.name}.html")


def preview(folder: FarmFolder, week: Week) -> str:
    """Return the digest as plain text; nothing is saved."""
    with query.open_published(folder) as con:
        tables = Tables(con)
        show = tables.show(brief=True)
        today = datetime.now(tables.zone).date()
        made = year.made(folder)
        return render.text(make.digest(tables, week, show, today, made), show)


def is_made(folder: FarmFolder, week: Week, mail: Mail | None) -> bool:
    """Return whether a week's digest is saved, and with ``mail`` a letter for each reader as well."""
    saved = path(folder, week)
    # One that was cut or emptied since is written again.
    if not saved.exists() or not saved.read_bytes().rstrip().endswith(b"</html>"):
        return False
    there = {letter.reader for letter in Outbox(folder).letters() if letter.week == week.name}
    return mail is None or there >= {reader.address for reader in mail.readers}


def write(folder: FarmFolder, week: Week, mail: Mail | None = None) -> Written:
    """Save the digest of a week, and with ``mail`` put it into the outbox for each reader.

    A letter that is in the outbox already, sent or not, stays as it is. Raises UserError if
    nothing is published.
    """
    at = datetime.now(UTC)
    done = Written(week.name)
    systems: set[System | None] = {None}
    if mail is not None:
        systems |= {reader.units for reader in mail.readers}
    outbox = Outbox(folder)
    with query.open_published(folder) as con:
        tables = Tables(con)
        known = tables("farm").to_dicts()
        made = year.made(folder)
        farm = str(known[0]["farm"]) if known else folder.root.name
        # The farm's own page is the mark that all is made, so it comes last.
        for system in sorted(systems, key=lambda s: (s is None, s or "")):
            show = tables.show(system, brief=True)
            today = at.astimezone(tables.zone).date()
            page = make.digest(tables, week, show, today, made)
            saved = path(folder, week, system)
            files.write_text(saved.with_suffix(".txt"), render.text(page, show))
            files.write_text(saved, render.html(page, show, render.data_uri, "digest.html"))
            done.paths += [saved, saved.with_suffix(".txt")]
            if mail is None:
                continue
            letter_page = make.letter(tables, week, show, today, str(saved), made)
            for to in [reader.address for reader in mail.readers if reader.units == system]:
                identity = message.message_id(farm, week.name, to, mail.sender)
                heads = {"sender": mail.sender, "reader": to, "identity": identity}
                letter = outbox.find(identity) or outbox.put(
                    message.build(letter_page, show, **heads, at=at), week.name, to
                )
                done.letters.append(letter)
    return done
