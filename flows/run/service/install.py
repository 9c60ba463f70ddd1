"""Writes a service's definition and gives it to the system, or says what to type."""

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
class Told:
    """What was done, and whether a person has to do the rest."""

    said: list[str] = field(default_factory=list)
    left: bool = False


def definition(folder: FarmFolder, system: str = sys.platform) -> Definition:
    """The definition for this computer's system (``system`` as Python names it)."""
    kinds = {"win32": task_scheduler.definition, "darwin": launchd.definition}
    return kinds.get(system, systemd.definition)(service(folder))


def show(folder: FarmFolder) -> str:
    """What would be written where, and given to which command."""
    what = definition(folder)
    there = "it is there" if what.path.exists() else "not there yet"
    return "\n".join(
        [f"{what.path} ({there}):", "", what.shown.rstrip("\n"), "", "To take it on:"]
        + [f"  {subprocess.list2cmdline(command)}" for command in what.on]
        + ["To take it off:"]
        + [f"  {subprocess.list2cmdline(command)}" for command in what.off]
        + ["", what.more]
    )


def install(folder: FarmFolder) -> Told:
    """Write the definition and start the service; what the system refuses is left to be typed.

    Raises UserError (a path that cannot be named) and Attention (it cannot be written).
    """
    what = definition(folder)
    try:
        folder.logs.mkdir(parents=True, exist_ok=True)
        files.write_bytes(what.path, what.content)
    except OSError as error:
        raise Attention(f"{what.path} cannot be written: {error}.") from error
    told = Told([f"Wrote {what.path}."])
    _run(what.on, told)
    told.said.append(
        what.more if told.left else f"Checkstrip runs for {folder.root} from now on. {what.more}"
    )
    return told


def remove(folder: FarmFolder) -> Told:
    """Stop the service and delete its definition; data and farm.toml stay as they are."""
    what = definition(folder)
    if not what.path.exists():
        return Told([f"No service is installed for {folder.root}: there is no {what.path}."])
    told = Told()
    _run(what.off, told)
    what.path.unlink()
    told.said.append(f"Deleted {what.path}. Data and settings stay as they are.")
    return told


def _run(commands: tuple[tuple[str, ...], ...], told: Told) -> None:
    """The system's own commands, until one fails; those that are left are told to be typed."""
    for place, command in enumerate(commands):
        why = _trouble(command)
        if why:
            told.left = True
            told.said.append(f"{why} Type when it can be done:")
            told.said += [f"  {subprocess.list2cmdline(c)}" for c in commands[place:]]
            return


def _trouble(command: tuple[str, ...]) -> str:
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
