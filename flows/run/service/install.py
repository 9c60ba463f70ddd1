"""Write a service's definition and give it to the system, or say what to type."""

from __future__ import annotations

import shutil
import subprocess
import sys
from dataclasses import dataclass, field

from flows.base import files
from flows.base.errors import Attention
from flows.farm.folder import FarmFolder
from flows.run.service import launchd, systemd, task_scheduler
from flows.run.service.definition import Definition, service


@dataclass(slots=True)
class Done:
    """What was done, in sentences, and whether commands are left for a person to type."""

    sentences: list[str] = field(default_factory=list)
    left_to_type: bool = False


def definition(folder: FarmFolder, system: str = sys.platform) -> Definition:
    """Return the definition for this computer's system (``system`` as Python names it)."""
    kinds = {"win32": task_scheduler.definition, "darwin": launchd.definition}
    return kinds.get(system, systemd.definition)(service(folder))


def show(folder: FarmFolder) -> str:
    """Return what would be written where, and given to which command, as text."""
    what = definition(folder)
    there = "it is there" if what.path.exists() else "not there yet"
    return "\n".join(
        [f"{what.path} ({there}):", "", what.shown.rstrip("\n"), "", "To take it on:"]
        + [f"  {subprocess.list2cmdline(command)}" for command in what.on]
        + ["To take it off:"]
        + [f"  {subprocess.list2cmdline(command)}" for command in what.off]
        + ["", what.more]
    )


def install(folder: FarmFolder) -> Done:
    """Write the definition and start the service; what the system refuses is left to be typed.

    Raises UserError (a path that cannot be named) and Attention (it cannot be written).
    """
    what = definition(folder)
    try:
        folder.logs.mkdir(parents=True, exist_ok=True)
        files.write_bytes(what.path, what.content)
    except OSError as error:
        raise Attention(f"{what.path} cannot be written: {error}.") from error
    done = Done([f"Wrote {what.path}."])
    _run(what.on, done)
    done.sentences.append(
        what.more
        if done.left_to_type
        else f"Checkstrip runs for {folder.root} from now on. {what.more}"
    )
    return done


def remove(folder: FarmFolder) -> Done:
    """Stop the service and delete its definition; data and farm.toml stay as they are."""
    what = definition(folder)
    if not what.path.exists():
        return Done([f"No service is installed for {folder.root}: there is no {what.path}."])
    done = Done()
    _run(what.off, done)
    what.path.unlink()
    done.sentences.append(f"Deleted {what.path}. Data and settings stay as they are.")
    return done


def _run(commands: tuple[tuple[str, ...], ...], done: Done) -> None:
    """Run the system's own commands until one fails; list those that are left to be typed."""
    for place, command in enumerate(commands):
        why = _refusal(command)
        if why:
            done.left_to_type = True
            done.sentences.append(f"{why} Type when it can be done:")
            done.sentences += [f"  {subprocess.list2cmdline(c)}" for c in commands[place:]]
            return


def _refusal(command: tuple[str, ...]) -> str:
    """Run a command; return why it did not work, or nothing."""
    program = shutil.which(command[0])
    if program is None:
        return f"There is no {command[0]} on this computer."
    ran = subprocess.run(  # noqa: S603 - our own words, and no shell
        [program, *command[1:]], capture_output=True, text=True, errors="replace", check=False
    )
    if ran.returncode == 0:
        return ""
    answer = " ".join((ran.stderr or ran.stdout).split()) or f"exit code {ran.returncode}"
    return f"{command[0]} refused: {answer.rstrip('.')}."
