"""The commands by what they are for, and what may be left out inside a farm folder."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from typer.core import TyperGroup

if TYPE_CHECKING:
    from typer._click import Command, Context, HelpFormatter

GROUPS: dict[str, tuple[str, ...]] = {
    "Start": ("demo", "new", "plan", "add", "sniff", "try"),
    "Every day": ("once", "status", "year", "form", "digest", "report"),
    "Ask": ("sql", "tables", "explain"),
    "Leave it running": ("run", "service", "inspect"),
    "Trust": ("backup", "restore", "audit", "checksum", "rebuild"),
    "Many farms": ("network",),
    "One step of a run": ("collect", "derive", "publish"),
}
FARM_FILE = "farm.toml"  # where it lies, FOLDER may be left out


class Grouped(TyperGroup):
    """The commands under the headings of ``GROUPS``; inside a farm folder it is the FOLDER."""

    def format_commands(self, ctx: Context, formatter: HelpFormatter) -> None:
        """Write each group of commands under its heading, each help line whole."""
        grouped = {name for names in GROUPS.values() for name in names}
        rest = tuple(name for name in self.list_commands(ctx) if name not in grouped)
        for heading, names in {**GROUPS, "Further": rest}.items():
            rows = [
                (name, command.get_short_help_str(formatter.width))
                for name in names
                if (command := self.get_command(ctx, name)) is not None
            ]
            if rows:
                with formatter.section(heading):
                    formatter.write_dl([(f"{name:<8}", text) for name, text in rows])

    def parse_args(self, ctx: Context, args: list[str]) -> list[str]:
        """Without any word, ask for the status of the farm folder that this is."""
        return super().parse_args(ctx, args or (["status"] if Path(FARM_FILE).is_file() else []))

    def resolve_command(
        self, ctx: Context, args: list[str]
    ) -> tuple[str | None, Command | None, list[str]]:
        """Return the command and its words, with this folder as FOLDER if it is left out."""
        name, command, words = super().resolve_command(ctx, args)
        if command is not None and Path(FARM_FILE).is_file():
            words = _with_folder(ctx, command, words)
        return name, command, words


def _with_folder(ctx: Context, command: Command, words: list[str]) -> list[str]:
    """Return the words with "." for FOLDER unless a folder is named there."""
    arguments = [one.name for one in command.params if one.param_type_name == "argument"]
    if "folder" not in arguments:
        return words
    try:
        values, _, _ = command.make_parser(ctx).parse_args(list(words))
    except Exception:  # the command itself reports what is wrong with its words
        return words
    if Path(str(values.get("folder"))).is_dir():
        return words
    before = arguments.index("folder")  # service: its action comes first
    return [*words[:before], ".", *words[before:]]
