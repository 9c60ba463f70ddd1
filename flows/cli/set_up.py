"""Commands for setting up: add, try, sniff.

Imports inside functions are for start-up time.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from flows.base.plain_text import counted
from flows.cli.base import Folder, app, farm_folder, say


@app.command()
def add(
    folder: Folder,
    files: Annotated[
        list[Path] | None, typer.Argument(metavar="FILE...", help="exports of one logger")
    ] = None,
    instrument: Annotated[str | None, typer.Option(help="name of the station or probe")] = None,
    field: Annotated[str | None, typer.Option(help="the field it is in")] = None,
    strip: Annotated[str | None, typer.Option(help="treated or check")] = None,
    since: Annotated[
        str | None,
        typer.Option(metavar="DAY", help="since when it stood there; else its first day"),
    ] = None,
    depths: Annotated[
        str | None, typer.Option(metavar="CM,...", help="depths of its sensors, as in 10,30,60")
    ] = None,
    clock: Annotated[
        str | None, typer.Option(help="of the logger: -06:00, Z or America/Winnipeg")
    ] = None,
    stamp: Annotated[
        str | None, typer.Option(help="a row's time: end, start, middle, instant")
    ] = None,
    answer: Annotated[
        list[str] | None,
        typer.Option(metavar="KEY=ANSWER", help="any other answer, as in 'unit Rain=inch'"),
    ] = None,
    yes: Annotated[bool, typer.Option("--yes", help="ask nothing, take what is proposed")] = False,
    undo: Annotated[
        bool,
        typer.Option("--undo", help="take back what was added last; the archive keeps its files"),
    ] = False,
) -> None:
    """Add a logger's files: layout, source and instrument.

    It reads the files (several of one logger at once), shows the first readings as they would land,
    asks what it cannot know, writes farm.toml, lands the files at once and shows the first day.
    A yield map is added too: it proposes what each column means, and asks for the yield's unit, field
    and season where the file does not say them. Each question has a flag. With --yes it asks nothing;
    exit 1 if it was not sure of something, or rows were rejected.

    \b
    Examples:
      checkstrip add my_farm north_station.csv
      checkstrip add my_farm probe.csv --yes --field North --strip treated --clock=-06:00
      checkstrip add my_farm "Home 2021.csv"
      checkstrip add --undo my_farm
    """
    from flows.base.errors import UserError
    from flows.base.progress import bar
    from flows.cli import asking
    from flows.setup import questions
    from flows.setup.add import add as adding

    farm = farm_folder(folder)
    if undo:
        if files:
            raise UserError("--undo takes no files: it takes back what was added last.")
        with bar() as tick:
            adding.undo(farm, say, tick)
        return
    given: dict[str, str | None] = {
        "instrument": instrument,
        "field": field,
        "strip": strip,
        "since": since,
        "depths": depths,
        "clock": clock,
        "stamp": stamp,
    }
    given |= questions.pairs(answer or [])
    if not yes and not asking.at_terminal():
        raise UserError("Nobody can be asked here: add --yes, with flags for what it cannot know.")
    done = adding.add(
        farm,
        files or [],
        given,
        questions.proposed if yes else asking.ask,
        say,
        confirmed=not yes,
        agree=(lambda _: True) if yes else asking.agree,
    )
    if done.attention:
        say("\n".join(["", *done.attention]))
        raise typer.Exit(1)


@app.command("try")
def try_(
    folder: Folder,
    setup: Annotated[
        Path | None, typer.Option(metavar="FILE", help="another farm.toml than the folder's own")
    ] = None,
) -> None:
    """Preview what a changed farm.toml would do.

    By source: rows that would land, change or be rejected; the field book too. Nothing is changed: it is tried on a
    copy that is thrown away. Web services are not asked. Exit 1 if a file would be rejected whole.

    \b
    Examples:
      checkstrip try my_farm
      checkstrip try my_farm --setup changed.toml
    """
    from flows.base.progress import bar
    from flows.setup.try_out import try_out, waiting

    with bar() as tick:
        outcomes = try_out(farm_folder(folder), setup, tick)
    if not outcomes:
        say("There is nothing to read yet: no file waits, and none is in the archive.")
    for outcome in outcomes:
        say("\n".join(outcome.sentences))
    for sentence in waiting(farm_folder(folder), setup):
        say(sentence)
    if any(outcome.refused_whole for outcome in outcomes):
        raise typer.Exit(1)


@app.command()
def sniff(
    files: Annotated[
        list[Path],
        typer.Argument(metavar="FILE...", help="exports of one logger or service"),
    ],
    folder: Annotated[
        Path | None,
        typer.Option(metavar="FOLDER", help="the farm it is of: its place tells the clock"),
    ] = None,
    write: Annotated[
        Path | None,
        typer.Option(metavar="FOLDER", help="put the layout into this farm's farm.toml"),
    ] = None,
    name: Annotated[str | None, typer.Option(help="what to call the layout")] = None,
    beside: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE",
            help="an export of a station near by: its rain tells how stamps are meant",
        ),
    ] = None,
) -> None:
    """Propose a layout for an unknown file.

    With the evidence for each item. What it is not sure of it asks, and marks in the layout
    (CHECK). Exit 1 if something is asked. With a
    farm folder the rain of its stations is compared with the file's: it shows whether stamps stand at
    the start or the end of an interval, and which clock they keep. Several files of one logger give
    one layout that reads them all.

    \b
    Examples:
      checkstrip sniff export.csv --folder my_farm
      checkstrip sniff export.csv --write my_farm --name weather_logger
      checkstrip sniff export.csv --folder my_farm --beside other_station.csv
      checkstrip sniff 2019.csv 2020.csv 2021.csv --folder my_farm
    """
    from flows.setup.sniff import sniff_file

    sniffed = sniff_file.sniff(files, folder or write, name, beside)
    say("\n".join(map(str, sniffed.proposal.found)))
    say("\n" + sniffed.toml)
    if write is not None:
        say(sniff_file.write(sniffed, write))
    if sniffed.proposal.questions:
        say(f"{counted(len(sniffed.proposal.questions), 'item')} to decide, marked CHECK.")
        raise typer.Exit(1)
