"""What all commands share: the app, the FOLDER argument, how runs are reported.

Imports inside functions are for start-up time.
"""

from __future__ import annotations

import sys
from io import TextIOWrapper
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from flows.base.plain_text import plain
from flows.cli.groups import Grouped

if TYPE_CHECKING:
    from collections.abc import Iterable

    from flows.farm.folder import FarmFolder
    from flows.store.flow_runs import Run

app = typer.Typer(
    name="checkstrip",
    cls=Grouped,
    epilog=(
        "Exit codes: 0 all is well; 1 something needs attention, and a sentence says what; 2 a mistake "
        "in the command, its folder or farm.toml, nothing there yet, or another Checkstrip at work: "
        "nothing was changed. Any command exits 1 if a file that it needs is damaged or a disk fails."
    ),
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
)

Folder = Annotated[
    Path, typer.Argument(metavar="FOLDER", help="the farm folder; may be left out inside it")
]


AsJson = Annotated[bool, typer.Option("--json", help="as JSON")]


def farm_folder(path: Path) -> FarmFolder:
    """Return the farm folder at a path; UserError if there is none."""
    from flows.farm.folder import FarmFolder

    return FarmFolder.at(path)


def say(text: str) -> None:
    """Print sentences and tables; nothing in them is obeyed by a terminal."""
    typer.echo(plain(text))


def hand_over(text: str) -> None:
    """Print what another program reads: as it is, in UTF-8, but for a terminal."""
    if sys.stdout.isatty():
        text = plain(text)
    elif isinstance(sys.stdout, TextIOWrapper):
        sys.stdout.reconfigure(encoding="utf-8")
    typer.echo(text, nl=False)


def hand_json(content: object) -> None:
    """Print one JSON document for another program."""
    import json

    hand_over(json.dumps(content, indent=1, ensure_ascii=False, default=str) + "\n")


def run_steps(folder: Path, *names: str, as_json: bool = False) -> None:
    """Do the steps of ``flows/run/steps.py`` that are named, with a progress bar; report them."""
    from flows.base.progress import bar
    from flows.run import steps

    farm = farm_folder(folder)
    with bar() as tick:
        done = [getattr(steps, name)(farm, tick) for name in names]
    report_runs(done, as_json=as_json)


def report_runs(runs: Iterable[Run], *, as_json: bool = False) -> None:
    """Say what runs did, in lines or as a JSON list; exit 1 if one needs attention."""
    from dataclasses import asdict

    runs = list(runs)
    if as_json:
        hand_json([asdict(run) for run in runs])
    attention = any(run.state != "done" for run in runs)
    for run in [] if as_json else runs:
        say(f"{run.flow}: {run.summary}")
        for note in run.notes:
            say(f"  {note}")
    if attention:
        raise typer.Exit(1)


def _version(value: bool) -> None:
    if value:
        from flows.base.version import VERSION

        say(f"checkstrip {VERSION}")
        raise typer.Exit


@app.callback()
def _options(
    version: Annotated[
        bool,
        typer.Option("--version", callback=_version, is_eager=True, help="print the version"),
    ] = False,
) -> None:
    """Collect station, probe and strip records, and show what a practice did and earned.

    Inside a farm folder FOLDER may be left out, and 'checkstrip' alone shows its status.
    """
