"""Make the plan of a trial: where its strips lie, drawn by lot, and the files that say so."""

from __future__ import annotations

import re
import secrets
from dataclasses import dataclass
from pathlib import Path

import polars as pl

from flows.base.errors import UserError
from flows.base.plain_text import counted
from flows.books.books import fieldbook_path
from flows.books.fieldbook import book
from flows.books.strip_outlines import Place
from flows.farm import farm_file
from flows.farm.folder import FarmFolder
from flows.farm.instrument_names import folded
from flows.pages.reader_units import Show
from flows.setup.plan import ground as grounds
from flows.setup.plan import maps
from flows.setup.plan.by_maps import ByMaps, laid_by
from flows.setup.plan.ground import Ground
from flows.setup.plan.lengths import meters, shown
from schemas.farm.farm import Farm
from transforms.methods import strip_layout
from transforms.methods.strip_layout import (
    PAIR,
    THREE,
    Design,
    Layout,
    NoRoom,
    Spot,
    Strip,
)

BORDER_M = 3.0  # between strips, where a machine's edge reaches over; common practice, no source
HEADLAND_HEADERS = 3  # wide, so that a combine turns outside the strips; common practice, no source
MOST_BLOCKS, MOST_PASSES = 20, 12
_SEED = re.compile(r'"seed":\s*(\d{1,9})\b')


@dataclass(frozen=True, slots=True)
class Wanted:
    """What the user asks for, as written; None takes the usual."""

    field: str
    header: str
    implement: str | None = None
    outline: Path | None = None
    corners: Path | None = None
    avoid: Path | None = None
    direction: float | None = None
    border: str | None = None
    headland: str | None = None
    blocks: int = 4
    passes: int = 1
    three: bool = False
    across: bool = False
    seed: int | None = None


@dataclass(frozen=True, slots=True)
class Plan:
    """A plan as made: the field, its ground, the strips, the places for instruments."""

    farm_name: str
    field: str
    ground: Ground
    layout: Layout
    seed: int
    spots: tuple[Spot, ...]
    corner: tuple[float, float]
    proposed_direction: bool
    show: Show
    by_maps: ByMaps | None = None
    in_book: bool = True


def plan_of(folder: FarmFolder, wanted: Wanted, earlier: Path) -> Plan:
    """Return the plan; the seed is that of the plan at ``earlier`` unless one is given.

    ``wanted.field`` is the name as ``known_field`` has it.
    Raises UserError, in sentences that say what to do, if the ground or the design cannot be used.
    """
    farm = farm_file.load(folder.farm_toml)
    show = Show(farm.farm.units, farm.farm.currency)
    field = wanted.field
    tables = _book(folder, farm)
    ground = grounds.of_field(
        field,
        wanted.outline,
        wanted.corners,
        wanted.avoid,
        folder.yield_maps,
        tables["field_corner"],
        _place(farm),
    )
    design = _design(wanted, ground, show)
    seed = _seed(wanted.seed, earlier)
    try:
        layout = strip_layout.lay_out(ground.outline, ground.avoid, design, seed)
    except NoRoom as error:
        raise UserError(_what_to_do(error, design, field, show)) from None
    used = maps.of_field(folder, farm, field, ground, _place(farm))
    by_maps = None if used is None else laid_by(ground, layout, seed, used)
    if by_maps is not None:
        layout = by_maps.layout
    return Plan(
        farm.farm.name,
        field,
        ground,
        layout,
        seed,
        strip_layout.spots(layout) if by_maps is None else by_maps.spots,
        strip_layout.nearest_corner(ground.outline, layout),
        wanted.direction is None,
        show,
        by_maps,
        field in tables["field"]["field"],
    )


def _place(farm: Farm) -> Place | None:
    place = farm.place
    if place.longitude is None or place.latitude is None:
        return None
    return place.longitude, place.latitude


def _book(folder: FarmFolder, farm: Farm) -> dict[str, pl.DataFrame]:
    """Return the field book's tables; empty ones if there is no book yet."""
    path = fieldbook_path(folder, farm)
    return book.tables_of({} if path is None else book.contents(path), farm=farm).frames


def known_field(folder: FarmFolder, field: str) -> str:
    """Return the field's name as the field book has it, else as its outline in ``yieldmaps/`` does.

    As given while the book names no field. Raises UserError if both have other fields only.
    """
    farm = farm_file.load(folder.farm_toml)
    found: list[str] = _book(folder, farm)["field"]["field"].to_list()
    known = {folded(name): name for name in (*grounds.outlined(folder.yield_maps), *found)}
    if found and folded(field) not in known:
        raise UserError(
            f"The field book has no field {field} (it has: {', '.join(found)}). Correct the name, or add "
            "a row for the field on the sheet fields first."
        )
    return known.get(folded(field), field.strip())


def _design(wanted: Wanted, ground: Ground, show: Show) -> Design:
    if not 1 <= wanted.blocks <= MOST_BLOCKS:
        raise UserError(f"--blocks {wanted.blocks}: expected 1 to {MOST_BLOCKS}.")
    if wanted.direction is not None and not 0 <= wanted.direction <= 360:
        raise UserError(
            f"--direction {wanted.direction:g}: expected degrees clockwise from north, 0 to 360."
        )
    if not 1 <= wanted.passes <= MOST_PASSES:
        raise UserError(f"--passes {wanted.passes}: expected 1 to {MOST_PASSES}.")
    header = meters("--header", wanted.header, show, 1, 25)
    implement = wanted.implement and meters("--implement", wanted.implement, show, 0.5, 40)
    border = wanted.border and meters("--border", wanted.border, show, 0, 100)
    headland = wanted.headland and meters("--headland", wanted.headland, show, 0, 300)
    direction = wanted.direction
    if direction is None:
        direction = round(strip_layout.longest_side(ground.outline), 1)
    return Design(
        header_m=header,
        implement_m=implement or None,
        direction_deg=direction % 180,
        border_m=BORDER_M if border is None else float(border),
        headland_m=HEADLAND_HEADERS * header if headland is None else float(headland),
        blocks=wanted.blocks,
        least_passes=wanted.passes,
        worked=THREE if wanted.three else PAIR,
        across=wanted.across,
    )


def _seed(given: int | None, earlier: Path) -> int:
    """Return the given seed, else that of the plan made before, else a new one drawn by lot.

    So a second run keeps the sides: nobody draws until they suit.
    """
    if given is not None:
        if not 0 <= given < 10**9:
            raise UserError(f"--seed {given}: expected a whole number from 0 to 999999999.")
        return given
    if earlier.is_file():
        kept = _SEED.search(earlier.read_text(encoding="utf-8", errors="replace"))
        if kept:
            return int(kept[1])
    return secrets.randbelow(10**6)


def _what_to_do(error: NoRoom, design: Design, field: str, show: Show) -> str:
    """Return why the strips do not fit, and what would."""
    if error.block_m == float("inf"):
        return (
            f"No strip of up to {strip_layout.MOST_PASSES} header widths is whole in both "
            f"{shown(design.header_m, 'm', show)} (header) and {shown(design.implement_m or 0, 'm', show)} "
            "(implement). Check both widths; or leave out --implement, and let the implement reach into "
            "the borders."
        )
    block = shown(error.block_m, "m", show, 0)
    if error.blocks:
        return (
            f"{field} has room for {counted(error.blocks, 'block')}, not {design.blocks}: a block is "
            f"{block} wide with its borders, and {shown(error.room_m, 'm', show, 0)} are left between the "
            f"headlands. Try --blocks {error.blocks}, a smaller --headland or --border, or another "
            "--direction."
        )
    return (
        f"The outline of {field} is too small: one block is {block} wide with its borders and at least "
        f"{shown(strip_layout.LEAST_LENGTH_M, 'm', show, 0)} long, and between the headlands "
        f"({shown(design.headland_m, 'm', show, 0)} on each side) there is no such ground. Check that the "
        "outline is of the whole field and the widths are right; else try a smaller --headland or "
        "--border, a narrower --implement, or another --direction."
    )


def as_json(plan: Plan) -> dict[str, object]:
    """Return the plan for other programs, in meters and degrees."""
    design, width = plan.layout.design, plan.layout.width
    return {
        "field": plan.field,
        "seed": plan.seed,
        "direction_deg": design.direction_deg,
        "direction_proposed": plan.proposed_direction,
        "blocks": design.blocks,
        "strip_width_m": round(width.width_m, 3),
        "header_passes": width.header_passes,
        "implement_passes": width.implement_passes,
        "border_m": round(design.border_m, 3),
        "headland_m": round(design.headland_m, 3),
        "harvest": "across" if design.across else "along",
        "maps": None if plan.by_maps is None else plan.by_maps.numbers(),
        "strips": [strip_numbers(plan, strip) for strip in plan.layout.strips],
    }


def strip_numbers(plan: Plan, strip: Strip) -> dict[str, object]:
    """Return what a strip is and where, from the corner to the right and ahead, as JSON has it."""
    return {
        "block": strip.block,
        "strip": strip.name,
        "worked": strip.worked,
        "across_from_corner_m": round(strip.across_m - plan.corner[0], 2),
        "along_from_corner_m": round(strip.along_m - plan.corner[1], 2),
        "width_m": round(strip.width_m, 3),
        "length_m": round(strip.length_m, 2),
        "area_ha": round(strip.width_m * strip.length_m / 10_000, 4),
    }
