"""Commands against the loss of the computer: backup, restore.

Imports inside functions are for start-up time.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from flows.cli.base import AsJson, Folder, app, farm_folder, hand_json, report_runs, say


@app.command()
def backup(
    folder: Folder,
    to: Annotated[
        Path | None,
        typer.Option(metavar="DIR", help="where to; else as farm.toml says, else backups/"),
    ] = None,
    anew: Annotated[
        bool, typer.Option("--anew", help="begin again where the earlier backups are gone")
    ] = False,
    read_all: Annotated[
        bool,
        typer.Option("--read-all", help="read all files of archive and backup, and repair them"),
    ] = False,
    as_json: AsJson = False,
) -> None:
    """Back up the farm folder and verify it.

    Only what is new is copied. A backup counts after it was restored to a scratch folder and had
    the same checksum; older ones are deleted after that. Exit 1 if the folder cannot be reached or
    written (earlier backups stay), or if files of the archive are missing or damaged: an earlier
    backup that has them repairs the archive, and nothing older is deleted while any are missing.
    [backup] in farm.toml makes one on schedule.

    \b
    Examples:
      checkstrip backup my_farm
      checkstrip backup my_farm --to "/media/backup disk/farm"
      checkstrip backup my_farm --read-all
    """
    from flows.base.progress import bar
    from flows.run import steps

    with bar() as tick:
        done = steps.backup(farm_folder(folder), tick, to, anew=anew, read_all=read_all)
    report_runs([done], as_json=as_json)


@app.command()
def restore(
    backup_folder: Annotated[
        Path, typer.Argument(metavar="BACKUP_FOLDER", help="the folder that backups go to")
    ],
    new_folder: Annotated[Path, typer.Argument(metavar="NEW_FOLDER", help="a new or empty folder")],
    at: Annotated[
        str | None, typer.Option(metavar="NAME", help="which backup; else the newest")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Restore a backup into a new folder.

    Each file is compared with its SHA-256, the whole with its checksum. A damaged warehouse is
    rebuilt from the archive. Exit 1 if something could not be restored as it was.

    \b
    Examples:
      checkstrip restore "/media/backup disk/farm" my_farm
      checkstrip restore /mnt/share/farm my_farm --at 2025-06-01T092000Z
    """
    from flows.base.progress import bar
    from flows.trust.backup import restore

    with bar() as tick:
        done = restore.restore(backup_folder, new_folder, at, tick)
    if as_json:
        hand_json({"farm_folder": done.folder.root, "done": done.sentences, "wrong": done.wrong})
    else:
        say("\n".join([*done.sentences, *done.wrong]))
        say(f"Next: checkstrip once {done.folder.root}")
    if done.wrong:
        raise typer.Exit(1)
