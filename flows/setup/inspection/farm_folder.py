"""Where the farm folder lies: paths, permissions, disk, versions, who else is at work."""

import platform
import stat
import sys
import tempfile
from collections.abc import Iterator
from datetime import datetime
from importlib.metadata import version
from pathlib import Path

from flows.base import files, lock
from flows.base.errors import Busy, UserError
from flows.base.plain_text import counted
from flows.base.version import VERSION
from flows.farm.folder import FarmFolder
from flows.run.service import install
from flows.setup.inspection.finding import Finding, advice, attention, fine
from flows.store import migrate, upgrade
from flows.trust import archive_check, growth
from schemas.farm.farm import Farm

PACKAGES = ("duckdb", "polars", "prefect", "pandera", "great-expectations")


def paths(folder: FarmFolder, farm: Farm | None) -> Iterator[Finding]:
    """Whether what is written can be written, and who may read it."""
    trouble = []
    for path in (folder.archive, folder.warehouse, folder.state):
        if path.is_dir() and (why := _unwritable(path)):  # the first collect makes what is missing
            trouble.append(f"{path} {why}")
    for source in farm.sources if farm else ():
        path = folder.root / source.path
        if source.kind == "folder" and not files.is_there(path, folder.root):
            yield attention(
                "paths",
                f"The folder {path} of the source {source.name} cannot be reached.",
                "Connect the share, make the folder, or mend its path in farm.toml.",
            )
        elif source.kind == "folder":
            why = _unwritable(path) if source.after == "move" else _unreadable(path)
            if why:
                trouble.append(f"{path} of the source {source.name} {why}")
    for sentence in trouble:
        yield attention("paths", f"{sentence}.", "Give access to the user that runs Checkstrip.")
    if not trouble:
        yield fine("paths", "The folders that are there can be read and written.")
    yield from _readable_by_others(folder)


def _unwritable(path: Path) -> str:
    try:
        with tempfile.TemporaryFile(dir=path):
            return ""
    except OSError as error:
        return f"cannot be written ({error.strerror})"


def _unreadable(path: Path) -> str:
    try:
        next(path.iterdir(), None)
    except OSError as error:
        return f"cannot be read ({error.strerror})"
    return ""


def _readable_by_others(folder: FarmFolder) -> Iterator[Finding]:
    if sys.platform == "win32" or not folder.warehouse_file.exists():
        return
    all_passable = all(
        path.stat().st_mode & stat.S_IXOTH for path in (folder.warehouse, *folder.warehouse.parents)
    )
    if all_passable and folder.warehouse_file.stat().st_mode & stat.S_IROTH:
        yield advice(
            "permissions",
            f"Every user of this computer can read {folder.warehouse_file} and the copy under "
            "published/: readings, yields and money.",
            f"Where they should not: chmod o-rwx '{folder.root}'",
        )
    else:
        yield fine("permissions", "Other users of this computer cannot read the warehouse.")


def disk(folder: FarmFolder, now: datetime) -> Iterator[Finding]:
    """Free room against what is needed at once and against growth."""
    expected = growth.of(folder, archive_check.read(folder, None), now)
    free, reserve = expected.free, expected.reserve
    if free < reserve:
        yield attention(
            "disk",
            f"The disk of {folder.root} has {free / 1e9:,.1f} GB free, and {reserve / 1e9:,.1f} GB "
            "should be.",
            "Make room before it is full; nothing is lost then, but nothing new is stored.",
        )
    elif expected.is_concern:
        yield attention("disk", expected.sentence(now), growth.ADVICE)
    else:
        yield fine("disk", expected.sentence(now))


def versions(folder: FarmFolder, *, ours: bool) -> Iterator[Finding]:
    """The program, what it stands on, and the warehouse's version (``ours``: we hold its lock)."""
    packages = ", ".join(f"{name} {version(name)}" for name in PACKAGES)
    yield fine("versions", f"Checkstrip {VERSION}, Python {platform.python_version()}, {packages}.")
    if ours and folder.warehouse_file.exists():
        try:
            upgrade.must_be_current(folder.warehouse_file)
        except UserError as error:
            later = "later" in str(error)
            yield attention(
                "versions",
                str(error),
                "Install the later Checkstrip again."
                if later
                else f"checkstrip once {folder.root}",
            )
        else:
            yield fine(
                "versions",
                f"The warehouse is of version {migrate.SCHEMA_VERSION}, as this program makes it.",
            )
    copies = upgrade.saved_copies(folder.warehouse_file)
    if copies:
        size = sum(path.stat().st_size for path in copies)
        yield advice(
            "versions",
            f"{counted(len(copies), 'copy')} from before upgrades ({size / 1e6:,.0f} MB) lie in "
            f"{folder.warehouse}, the last is {copies[-1].name}.",
            "Delete them when the newer program has proved itself.",
        )


def at_work(folder: FarmFolder) -> Iterator[Finding]:
    """Whether something keeps it running."""
    try:
        with lock.hold(folder.run_lock_file, "inspecting"):
            running = False
    except Busy:
        running = True
    if running:
        yield fine("running", f"'checkstrip run' is at work ({lock.holder(folder.run_lock_file)}).")
        return
    installed = install.definition(folder).path
    if installed.exists():
        yield attention(
            "running",
            f"The service {installed.name} is installed, but 'checkstrip run' is not at work.",
            f"Look at {folder.logs}, or install it again: checkstrip service install {folder.root}",
        )
    else:
        yield advice(
            "running",
            "Nothing keeps it running: no 'checkstrip run' is at work and no service is installed.",
            f"checkstrip service install {folder.root} (or let the system's scheduler call "
            "'checkstrip once').",
        )
