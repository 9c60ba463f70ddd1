"""All of the inspection, gravest first."""

from collections.abc import Iterator
from contextlib import ExitStack
from datetime import UTC, datetime

from flows.base import lock
from flows.base.errors import Busy, UserError
from flows.farm import farm_file
from flows.farm.folder import FarmFolder
from flows.setup.inspection import farm_folder, layouts, names, settings
from flows.setup.inspection.finding import Finding, attention, fine
from flows.store.archive import Archive
from flows.trust import status
from schemas.farm.farm import Farm

# Gravest first.
TITLES = {"attention": "Needs attention", "advice": "Advice", "fine": "Fine"}


def inspect(
    folder: FarmFolder, *, mail: bool = False, now: datetime | None = None
) -> list[Finding]:
    """Look over the set-up of a farm folder; nothing of it is changed.

    ``mail`` asks the mail server too. A writer that is at work is not waited for.
    """
    found = _all(folder, mail, now or datetime.now().astimezone())
    return sorted(found, key=lambda finding: list(TITLES).index(finding.severity))


def _all(folder: FarmFolder, mail: bool, now: datetime) -> Iterator[Finding]:
    farm: Farm | None = None
    try:
        farm = farm_file.load(folder.farm_toml)
        yield fine("farm.toml", "farm.toml can be read.")
    except UserError as error:
        yield attention("farm.toml", str(error), "Mend it; until then nothing new is collected.")
    yield from farm_folder.paths(folder, farm)
    if farm is not None:
        farm, said = names.today(folder, farm)
        yield from said
    disk = list(farm_folder.disk(folder, now.astimezone(UTC)))
    yield from disk
    yield from farm_folder.at_work(folder)
    yield from settings.secrets(folder, farm)
    with ExitStack() as locks:
        archive = None
        try:
            locks.enter_context(lock.hold(folder.lock_file, "inspecting"))
            there = folder.archive.is_dir()
            archive = Archive.open(folder.archive) if there else Archive(folder.archive)
        except Busy:
            yield fine("running", f"A writer is at work ({lock.holder(folder.lock_file)}).")
        yield from farm_folder.versions(folder, ours=archive is not None)
        if farm is not None:
            yield from layouts.sources(folder, farm, archive)
            yield from layouts.image_sources(folder, farm, archive)
    latest = max((r.received_at for r in archive.receipts), default=None) if archive else None
    if farm is not None:
        yield from settings.clock(farm, now, latest)
        yield from settings.former_keys(folder)
        yield from settings.sensors(farm)
        yield from settings.mail(folder, farm, reach=mail)
        yield from settings.backup(folder, farm)
    standing = status.status(folder, now.astimezone(UTC))
    known = {f"{one.sentence} {one.do}" for one in disk}
    for sentence in standing.attention:
        if sentence in known:
            continue
        yield attention("runs", sentence, f"checkstrip status {folder.root}")
    if not standing.attention:
        yield fine("runs", "The last runs and the instruments need no look.")


def lines(findings: list[Finding]) -> list[str]:
    """The findings as sentences, by severity."""
    out: list[str] = []
    for severity, title in TITLES.items():
        chosen = [one for one in findings if one.severity == severity]
        if chosen:
            out += ["", f"{title} ({len(chosen)})"]
        for one in chosen:
            out.append(f"  {one.about}: {one.sentence}")
            if one.do:
                out.append(f"    > {one.do}")
    return out[1:]
