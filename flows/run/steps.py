"""The flows as plain functions: each does all that is outstanding, and is recorded as a run.

The command line calls these; the scheduled flows of ``checkstrip run`` are thin wrappers of the
same. Nothing here imports Prefect. Imports inside functions are for start-up time: each step waits
only for what it needs.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from datetime import UTC, datetime, time, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import duckdb

from flows.base import schedule
from flows.base.errors import Attention, UserError
from flows.base.progress import Tick, silent
from flows.farm import farm_file
from flows.farm.bounds import Bounds
from flows.farm.folder import FarmFolder
from flows.run import quiet
from flows.store import flow_runs
from flows.store.flow_runs import Run
from flows.trust.backup import last_good

if TYPE_CHECKING:
    from flows.trust.status import Status

# None if there was no need to do anything, and nothing to report.
Step = Callable[[FarmFolder, Tick], Run | None]


def collect(folder: FarmFolder, tick: Tick = silent) -> Run:
    """Take what arrived into the archive, and land it."""
    from flows.intake import collect  # noqa: PLC0415

    with flow_runs.recorded(folder, "collect") as run:
        found = collect.collect(folder, tick)
        run.summary, run.notes = str(found), found.notes
        run.state = "attention" if found.wants_attention else "done"
    return run


def derive(folder: FarmFolder, tick: Tick = silent) -> Run:
    """Make the daily and derived tables; tell what became of the points of a new yield map."""
    from flows.books import map_points  # noqa: PLC0415
    from flows.derive import derive, made_by  # noqa: PLC0415
    from flows.store import programs, warehouse  # noqa: PLC0415

    with (
        flow_runs.recorded(folder, "derive") as run,
        warehouse.open_writer(folder, "deriving") as con,
    ):
        told = set(map_points.sentences(con))
        done = derive.derive(con, tick)
        maps = [sentence for sentence in map_points.sentences(con) if sentence not in told]
        turns = programs.note(con, made_by.fingerprint(), str(Path(__file__).parents[2]))
        run.summary, run.notes = str(done), [*done.problems, *maps, *filter(None, [turns])]
        run.state = "attention" if done.problems or turns else "done"
    return run


def publish(folder: FarmFolder, tick: Tick = silent, *, accept_loss: bool = False) -> Run:
    """Put the copy for readers in place."""
    from flows.store import publish  # noqa: PLC0415

    tick("publishing", 0, 1)
    with flow_runs.recorded(folder, "publish") as run:
        run.summary = str(publish.publish(folder, accept_loss=accept_loss))
    tick("publishing", 1, 1)
    return run


def digest(folder: FarmFolder, tick: Tick = silent) -> Run:
    """Make the last whole week's digest, unless it was made, and send what waits."""
    from flows.pages.digest import write  # noqa: PLC0415

    with flow_runs.recorded(folder, "digest") as run:
        week = write.last_week(folder)
        mail = farm_file.load(folder.farm_toml).mail
        if write.is_made(folder, week, mail):
            run.summary = f"The digest of {week.name} was made already."
        else:
            tick("writing the digest", 0, 1)
            write.write(folder, week, mail)
            run.summary = f"The digest of {week.name} is in {folder.digests}."
            tick("writing the digest", 1, 1)
        if mail is not None:
            _send(folder, run)
    return run


def alert(folder: FarmFolder, tick: Tick = silent) -> Run | None:
    """Mail instruments that begin to need somebody, to readers who want that, and what still waits."""
    mail = farm_file.load(folder.farm_toml).mail
    if mail is None or not mail.alerted or not folder.published_file.exists():
        return None
    from flows.pages.digest import alerts  # noqa: PLC0415
    from flows.pages.mail import send  # noqa: PLC0415

    tick("looking for alerts", 0, 1)
    written = alerts.write(folder, mail)
    tick("looking for alerts", 1, 1)
    if not (written or send.anything_due(folder)):
        return None
    with flow_runs.recorded(folder, "alert") as run:
        _send(folder, run)
    return run


def post(folder: FarmFolder, tick: Tick = silent) -> Run:
    """Send the digests that wait in the outbox; recorded only if one is due."""
    from flows.pages.mail import send  # noqa: PLC0415

    if not send.anything_due(folder):
        return Run("post", datetime.now(UTC).isoformat(), summary="No mail waits to be sent.")
    tick("sending mail", 0, 1)
    with flow_runs.recorded(folder, "post") as run:
        _send(folder, run)
    tick("sending mail", 1, 1)
    return run


def _send(folder: FarmFolder, run: Run) -> None:
    from flows.pages.mail import send  # noqa: PLC0415

    mail = farm_file.load(folder.farm_toml).mail
    if mail is None:
        run.summary = f"{run.summary} Letters wait, but farm.toml has no [mail] any more.".strip()
        run.state = "attention"
        return
    sent = send.send(folder, mail)
    run.summary = f"{run.summary} {sent}".strip()
    if sent.waiting or sent.refused:
        run.state = "attention"


def share(folder: FarmFolder, tick: Tick = silent) -> Run | None:
    """Give the network what the farm shares, if something is due; one that does not answer is tried again."""
    from flows.share import push  # noqa: PLC0415

    farm = farm_file.load(folder.farm_toml)
    if Bounds.of(folder.root).hosting is not None:
        return None  # the round that works on hosted farms shares for them, under its lease
    if not push.is_due(folder, farm, datetime.now(UTC)):
        return None
    tick("sharing with the network", 0, 1)
    with flow_runs.recorded(folder, "share") as run:
        push.attempt(folder, run)
    tick("sharing with the network", 1, 1)
    return run


def audit(folder: FarmFolder, tick: Tick = silent, *, everything: bool = False) -> Run:
    """Check what is published against its declarations and for internal consistency.

    What did not change since the last audit is looked at too if ``everything`` is asked for.
    """
    from flows.trust.audit import audit  # noqa: PLC0415

    with flow_runs.recorded(folder, "audit") as run:
        found = audit.audit(folder, tick, everything=everything)
        run.summary, run.notes = str(found), found.notes
        run.state = "attention" if found.failed else "done"
    return run


def audit_if_missed(folder: FarmFolder, tick: Tick = silent) -> Run | None:
    """Audit if its time came while nothing ran."""
    return audit(folder, tick) if _is_missed(folder, "audit") else None


def digest_if_missed(folder: FarmFolder, tick: Tick = silent) -> Run | None:
    """Make and send the digest if its time came while nothing ran."""
    return digest(folder, tick) if _is_missed(folder, "digest") else None


def _is_missed(folder: FarmFolder, flow: Literal["audit", "digest"]) -> bool:
    """Return whether a flow was due since it last began and did not fail."""
    farm = farm_file.load(folder.farm_toml)
    before = flow_runs.last(folder).get(flow)
    whole = before if before and before.state != "failed" else None
    began = datetime.fromisoformat(whole.started_at) if whole else None
    cron = getattr(farm.schedules, flow)
    return schedule.is_missed(cron, farm.place.zone, began, datetime.now(UTC))


def backup_if_due(folder: FarmFolder, tick: Tick = silent) -> Run | None:
    """Make the backup that farm.toml names if it came due after the last good one."""
    if not last_good.is_due(folder, farm_file.load(folder.farm_toml), datetime.now(UTC)):
        return None
    return backup(folder, tick)


def backup(
    folder: FarmFolder,
    tick: Tick = silent,
    to: Path | None = None,
    *,
    anew: bool = False,
    read_all: bool = False,
) -> Run:
    """Back up, restore and compare; a folder that cannot be reached is reported, not raised."""
    from flows.trust.backup import make  # noqa: PLC0415

    with flow_runs.recorded(folder, "backup") as run:
        try:
            done = make.backup(folder, tick, to, anew=anew, read_all=read_all)
            run.summary = str(done)
            run.state = "attention" if done.wants_attention else "done"
        except Attention as trouble:
            run.state, run.summary = "attention", str(trouble)
    return run


def rebuild(folder: FarmFolder, tick: Tick = silent, *, accept_loss: bool = False) -> Run:
    """Rebuild the warehouse from the archive and the field book."""
    from flows.trust.backup import rebuild  # noqa: PLC0415

    with flow_runs.recorded(folder, "rebuild") as run:
        run.summary = str(rebuild.rebuild_and_compare(folder, tick, accept_loss=accept_loss))
    return run


# What one full turn does, in order; a later flow that belongs to every turn is a line here. The
# backup comes last: whatever happens to it, the others are done.
TURN: tuple[Step, ...] = (collect, derive, publish, alert, share, backup_if_due)
# What a turn does that catches up on the time when nothing ran: each missed thing once.
MISSED: tuple[Step, ...] = (
    *(collect, derive, publish, alert, digest),
    *(share, audit_if_missed, backup_if_due),
)


def turn(folder: FarmFolder, tick: Tick = silent, steps: tuple[Step, ...] = TURN) -> list[Run]:
    """Do all of ``steps``. One that fails does not keep the next from what it can still do.

    A whole turn that finds nothing new leaves a note (``quiet``). Raises the first failure after the
    last step; Busy and other mistakes of the user at once.
    """
    done: list[Run] = []
    failed: Exception | None = None
    began, before = datetime.now(UTC), _before(folder) if steps == TURN else None
    for step in steps:
        try:
            run = step(folder, tick)
            if run is not None:
                done.append(run)
        except UserError:
            raise
        except Exception as error:
            failed = failed or error
    found = start_page(folder)
    if failed is not None:
        raise failed
    # A backup, mail or share is no news twice, and one that could not be made or sent is tried again.
    once = any(run.flow in ("backup", "alert", "share") for run in done)
    if found is not None and before is not None and not once:
        _leave_note(folder, before, done, found, began)
    return done


def hosted_turn(folder: FarmFolder, tick: Tick = silent) -> list[Run]:
    """Do a turn, and what ``checkstrip run`` does by schedule beside it: no such process runs for this farm."""
    done = turn(folder, tick)
    if _is_missed(folder, "digest") or _is_missed(folder, "audit"):
        done += turn(folder, tick, (digest_if_missed, audit_if_missed))
    return done


def _before(folder: FarmFolder) -> quiet.Before | None:
    """Return what a turn reads, as it stands; None if files do not tell that: a web source is asked."""
    with suppress(OSError, UserError):
        farm = farm_file.load(folder.farm_toml)
        if any(source.kind == "http" for source in farm.sources):
            return None
        named = {folder.root / path for path in (farm.fieldbook, *(s.path for s in farm.sources))}
        own = {folder.drop, folder.fieldbook_dir, folder.yield_maps, folder.ground, folder.images}
        own |= {folder.normals, folder.archive}
        return quiet.Before.of(folder, farm.place.zone, named | own)
    return None


def _leave_note(
    folder: FarmFolder, before: quiet.Before, done: list[Run], found: Status, now: datetime
) -> None:
    """Leave a note if nothing was new, for as long as nothing can be new but by a changed file."""
    farm = farm_file.load(folder.farm_toml)
    until = [datetime.fromisoformat(t) for i in found.instruments if (t := i["silent_from"])]
    if farm.backup is not None:
        until.append(schedule.next_due(farm.backup.schedule, farm.place.zone, now))
    if farm.image_sources:
        from flows.intake.sources import images_asked  # noqa: PLC0415

        due = images_asked.due(folder, farm)
        if any(at <= now for at in due):
            return  # the next turn asks
        until += due
    tomorrow = now.astimezone(farm.place.zone).date() + timedelta(days=1)
    until.append(datetime.combine(tomorrow, time(), farm.place.zone))
    quiet.leave(folder, before, done, min(at for at in until if at > now), now)


def start_page(folder: FarmFolder) -> Status | None:
    """Write the start page with what the status finds; None if it could not be written.

    A page that cannot be written stops nothing: it names the moment it was made.
    """
    from flows.pages.start import write  # noqa: PLC0415
    from flows.trust import status  # noqa: PLC0415

    now = datetime.now(UTC)
    with suppress(OSError, UserError, Attention, duckdb.Error):
        zone = farm_file.load(folder.farm_toml).place.zone
        found = status.status(folder, now)
        write.write(folder, write.State(now, zone, found.attention, found.notes, found.instruments))
        return found
    return None
