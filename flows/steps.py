"""The flows as plain functions: each does all that is outstanding, and is recorded as a run.

The command line calls these; the scheduled flows of ``checkstrip run`` are thin wrappers of the
same. Nothing here imports Prefect.
"""

from __future__ import annotations

from collections.abc import Callable

from flows import runs
from flows.errors import UserError
from flows.folder import FarmFolder
from flows.progress import Tick, silent
from flows.runs import Run

Step = Callable[[FarmFolder, Tick], Run]


def collect(folder: FarmFolder, tick: Tick = silent) -> Run:
    """Take what arrived into the archive, and land it."""
    from flows.collect import collect as work  # noqa: PLC0415

    with runs.recorded(folder, "collect") as run:
        found = work(folder, tick)
        run.summary, run.notes = str(found), found.notes
        run.state = "attention" if found.wants_attention else "done"
    return run


def derive(folder: FarmFolder, tick: Tick = silent) -> Run:
    """Make the daily and derived tables."""
    from flows import warehouse  # noqa: PLC0415
    from flows.derive import derive as work  # noqa: PLC0415

    with (
        runs.recorded(folder, "derive") as run,
        warehouse.open_writer(folder, "deriving") as con,
    ):
        run.summary = str(work(con, tick))
    return run


def publish(folder: FarmFolder, tick: Tick = silent) -> Run:
    """Put the copy for readers in place."""
    from flows.publish import publish as work  # noqa: PLC0415

    tick("publishing", 0, 1)
    with runs.recorded(folder, "publish") as run:
        run.summary = str(work(folder))
    tick("publishing", 1, 1)
    return run


def rebuild(folder: FarmFolder, tick: Tick = silent) -> Run:
    """Make the warehouse anew from the archive and the field book."""
    from flows.rebuild import rebuild as work  # noqa: PLC0415

    with runs.recorded(folder, "rebuild") as run:
        run.summary = f"The warehouse was made anew; its checksum is {work(folder, tick)}."
    return run


# What one full turn does, in order; a later flow that belongs to every turn is a line here.
TURN: tuple[Step, ...] = (collect, derive, publish)


def turn(folder: FarmFolder, tick: Tick = silent, steps: tuple[Step, ...] = TURN) -> list[Run]:
    """All of ``steps``. One that fails does not keep the next from what it can still do.

    Raises the first failure after the last step; Busy and other mistakes of the user at once.
    """
    done: list[Run] = []
    failed: Exception | None = None
    for step in steps:
        try:
            done.append(step(folder, tick))
        except UserError:
            raise
        except Exception as error:
            failed = failed or error
    if failed is not None:
        raise failed
    return done
