"""A new farm folder to fill in."""

from importlib.resources import files
from pathlib import Path
from typing import Literal, get_args

from flows.base.errors import UserError
from flows.books.fieldbook.blank import write_blank
from flows.farm.folder import FarmFolder

Units = Literal["metric", "us", "canada"]


def new(root: Path, units: str) -> str:
    """Lay out a farm folder; returns what to do next. Nothing that is there is overwritten.

    Raises UserError where the folder is a farm folder already, or units is no known word.
    """
    known: dict[str, Units] = {word: word for word in get_args(Units)}
    if units not in known:
        raise UserError(f"--units {units}: expected metric, us or canada.")
    folder = FarmFolder(root.expanduser().resolve())
    if folder.root.exists() and not folder.root.is_dir():
        raise UserError(f"{folder.root} is a file, not a folder.")
    if folder.farm_toml.exists():
        raise UserError(f"{folder.root} is a farm folder already; nothing was changed.")
    folder.root.mkdir(parents=True, exist_ok=True)
    folder.make()
    folder.normals.mkdir(exist_ok=True)
    if not folder.fieldbook_file.exists() and not folder.fieldbook_dir.exists():
        write_blank(folder.fieldbook_file, known[units])
    template = (files("flows.farm") / "farm_template.toml").read_text(encoding="utf-8")
    folder.farm_toml.write_text(
        template.replace('units = "metric"', f'units = "{units}"'), encoding="utf-8", newline="\n"
    )
    return (
        f"Made {folder.root}.\n"
        "Next:\n"
        f"  1. Fill in {folder.farm_toml.name}: the place, the stations and probes, how their files read.\n"
        f"  2. Fill in {folder.fieldbook_file.name}: fields, strips, seasons. The gray rows are examples.\n"
        "  3. Put logger files into drop/.\n"
        f"  4. checkstrip once {root}"
    )
