"""From a combine's export to the yield map: what each column means, and which field and season it is of.

The file is copied into the folder of yield maps as it is; what its headings do not say (which column is
the yield, in which unit) is asked and kept in farm.toml, under the file's name (``yield_map_headings``).
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping
from datetime import UTC, datetime
from pathlib import Path

import polars as pl

from flows.base import lock
from flows.base.errors import UserError
from flows.base.files import write_bytes, write_text
from flows.base.progress import Tick, silent
from flows.books import yield_map
from flows.books.fieldbook import columns, units
from flows.books.fieldbook.problem import Rejected
from flows.books.yield_map_points import NAMED, YIELDS, landing
from flows.farm import farm_file
from flows.farm.folder import FarmFolder
from flows.run import steps
from flows.setup.add import written
from flows.setup.questions import Ask, Question, Script, answered, some
from schemas.farm.farm import Farm
from schemas.fieldbook.parts import Heading, Reads
from schemas.fieldbook.yield_map import OUTLINE_ENDINGS, POINT_ENDINGS, POINTS

PLACES_APART = 10  # a logger that names its place has one; a combine has many
# What is proposed where a heading names no unit, by the farm's own units: metric, else customary.
USUAL = {
    "yield": ("t/ha", "bu/ac"),
    "yield at market moisture": ("t/ha", "bu/ac"),
    "flow": ("kg/s", "lb/s"),
    "test weight": ("kg/hL", "lb/bu"),
    "speed": ("km/h", "mph"),
    "distance": ("m", "ft"),
    "width": ("m", "ft"),
    "row spacing": ("cm", "in"),
}
NONE = "none"
_YIELD_WORDS = re.compile(r"yield|yld|\bdry\b", re.IGNORECASE)
_BY_NAME = {heading.name: heading for heading in POINTS.headings}


def is_map(file: Path) -> bool:
    """Return whether a file is an export of points, each with a place of its own."""
    grid = _grid(file)
    if grid is None:
        return False
    found = {one[0].name: name for name in grid.columns if (one := columns.match(POINTS, name))}
    if not {"latitude", "longitude"} <= found.keys():
        return False
    return grid.select(found["latitude"], found["longitude"]).n_unique() >= PLACES_APART


def add(  # noqa: PLR0917
    folder: FarmFolder,
    file: Path,
    given: Mapping[str, str | None],
    ask: Ask,
    say: Callable[[str], object],
    agree: Callable[[str], bool],
    tick: Tick = silent,
    *,
    confirmed: bool = True,
) -> list[str]:
    """Propose the columns, ask what is open, put the map in its folder and make the tables.

    ``confirmed`` says that a person answers. Returns what needs attention. Raises UserError; nothing is changed then.
    """
    grid = _grid(file)
    if grid is None:
        raise UserError(f"{file} cannot be read as a yield map.")
    farm, text = farm_file.load(folder.farm_toml), written.read(folder.farm_toml)
    answers = answered(_questions(file, grid, farm), given, ask)
    meant = _meant(answers)
    _must_have_yield(grid, meant)
    name = file.name if "field" not in answers else f"{answers['field']} {answers['season']}"
    name = name if name.endswith(file.suffix) else name + file.suffix
    target = folder.yield_maps / name
    if target.exists() and target.read_bytes() != file.read_bytes():
        raise UserError(f"{target} is there already. Rename {file.name}, or move the old map away.")
    say("\n".join([f"{file.name}: a yield map, {grid.height:,} points.", *_in_words(grid, meant)]))
    part = written.Part(f"yield map {name}", "", None, maps={name: meant} if meant else {})
    whole = written.with_part(text, part, datetime.now(UTC))
    if not agree(f"Add it as {target.relative_to(folder.root)}?"):
        raise UserError("Nothing was changed.")
    folder.yield_maps.mkdir(parents=True, exist_ok=True)
    with lock.hold(folder.lock_file, "adding a yield map"):
        written.must_still_be(folder.farm_toml, text)
        write_text(folder.farm_toml, whole)
        write_bytes(target, file.read_bytes())
    told = [key for key, value in given.items() if value is not None]
    attention = [
        f"Not confirmed: {key} = {a}."
        for key, a in answers.items()
        if key not in told and not confirmed
    ]
    for run in (
        steps.collect(folder, tick),
        steps.derive(folder, tick),
        steps.publish(folder, tick),
    ):
        say("\n".join([f"{run.flow}: {run.summary}", *(f"  {note}" for note in run.notes)]))
        attention += [run.summary] if run.state != "done" else []
    say(f"To take it back: remove {target}.")
    return attention


def _grid(file: Path) -> pl.DataFrame | None:
    if file.suffix.lower() not in POINT_ENDINGS + OUTLINE_ENDINGS:
        return None
    try:
        grid, _ = yield_map.grid_of(file.name, file.read_bytes(), {})
    except (Rejected, OSError):
        return None
    return grid if grid.height else None


def _questions(file: Path, grid: pl.DataFrame, farm: Farm) -> Script:
    """Ask for the yield, for units that no heading names, and for field and season."""
    customary = farm.farm.units != "metric"

    def script(answers: Mapping[str, str]) -> Iterator[Question]:
        found = {name: one for name in grid.columns[1:] if (one := columns.match(POINTS, name))}
        names = {heading.name for heading, _ in found.values()}
        if not names & {"yield", "yield at market moisture", "flow"}:
            yield _which(grid, found)
            chosen = answers["yield"]
            yield _unit(chosen, _BY_NAME["yield"], customary)
        for name, (heading, unit) in found.items():
            if heading.reads is Reads.NUMBER and not landing(heading, unit or heading.unit):
                yield _unit(name, heading, customary)
        if not NAMED.match(file.stem) and not {"field", "season"} <= names:
            yield Question("field", "Which field is the map of?", check=_file_name)
            yield Question("season", "Which season (year of the harvest)?", check=_year)

    return script


def _which(grid: pl.DataFrame, found: Mapping[str, object]) -> Question:
    """Ask which column is the yield; proposed is the one whose heading says so."""
    others = [
        name
        for name in grid.columns[1:]
        if name not in found and grid[name].cast(pl.Float64, strict=False).count() > grid.height / 2
    ]
    likely = [name for name in others if _YIELD_WORDS.search(name)]
    choices = tuple((name, "") for name in others)
    text = "Which column is the yield?"
    return Question("yield", text, likely[0] if len(likely) == 1 else "", choices, check=some)


def _unit(column: str, heading: Heading, customary: bool) -> Question:
    def check(word: str) -> str:
        if word == NONE:
            return word
        expression = units.expression(word)
        if expression is None or not landing(heading, expression):
            raise UserError(f"'{word}': expected a unit such as {' or '.join(usual)}, or {NONE}.")
        return word

    usual = USUAL.get(heading.name, ("", ""))
    why = f"It is read as {heading.name}. {NONE}: leave the column out."
    text = f"Which unit is '{column}' in?"
    return Question(f"unit {column}", text, usual[customary], why=why, check=check)


def _file_name(word: str) -> str:
    """Return a field's name, which the map's file gets; raise UserError if no file can have it."""
    if set(some(word)) & set('/\\:*?"<>|'):
        raise UserError(
            f"'{word}': no file can have this name. Give the map the columns field and season."
        )
    return some(word)


def _year(word: str) -> str:
    if not (word.isdecimal() and 1900 <= int(word) <= 2200):
        raise UserError(f"'{word}': expected a year such as 2021.")
    return word


def _meant(answers: Mapping[str, str]) -> dict[str, str]:
    """Return what headings mean beyond what they say, by heading as written."""
    meant = {}
    for key, answer in answers.items():
        kind, _, column = key.partition(" ")
        if kind != "unit":
            continue
        if answer == NONE:
            meant[column] = f"left out: {column}"
            continue
        heading = columns.match(POINTS, column)
        name = "yield" if column == answers.get("yield") or heading is None else heading[0].name
        meant[column] = f"{name} ({answer})"
    return meant


def _must_have_yield(grid: pl.DataFrame, meant: Mapping[str, str]) -> None:
    landed = set()
    for name in grid.columns[1:]:
        match = columns.match(POINTS, meant.get(name, name))
        if (
            match
            and match[0].reads is Reads.NUMBER
            and (to := landing(match[0], match[1] or match[0].unit))
        ):
            landed.add(to[0])
    if not landed & YIELDS:
        raise UserError("Without the unit of the yield (or of the flow) the map says nothing.")


def _in_words(grid: pl.DataFrame, meant: Mapping[str, str]) -> list[str]:
    lines, unused = [], []
    for name in grid.columns[1:]:
        match = columns.match(POINTS, meant.get(name, name))
        if match is None:
            unused.append(name)
            continue
        as_is = meant.get(name, match[0].name)
        lines.append(f"  {name}: {as_is}")
    return lines + ([f"  not used: {', '.join(unused)}"] if unused else [])
