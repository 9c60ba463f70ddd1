"""Puts a week's digest together: only what changed or matters, in order of use."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta

import polars as pl

from flows.pages.cells import Block, Cell, Frame, Line, Part, Picture, Row, Section, cell, say
from flows.pages.pictures import rain, uptake, water
from flows.pages.published_tables import Tables
from flows.pages.reader_units import Show
from flows.pages.sections import harvest, roots, soil, to_do, weather
from flows.pages.week import Week

HARVEST_SHOWN = timedelta(days=14)


@dataclass(frozen=True, slots=True)
class Page:
    """A digest or a report, ready to be rendered for any reader."""

    title: tuple[Part, ...]
    under: tuple[Part, ...]
    sections: tuple[Section, ...]
    foot: tuple[Line, ...]

    def blocks(self) -> Iterator[Block]:
        """All blocks, in order."""
        for section in self.sections:
            yield from section.blocks

    def cells(self) -> Iterator[Cell]:
        """Every cell of a table that it shows."""
        for part in self.parts():
            if isinstance(part, Cell):
                yield part

    def parts(self) -> Iterator[Part]:
        """Every part of it, in order."""
        yield from self.title
        yield from self.under
        for section in self.sections:
            yield from section.title
            for block in section.blocks:
                yield from parts_of(block)
        for line in self.foot:
            yield from line.parts()


def parts_of(block: Block) -> Iterator[Part]:
    """Every part of a block, in order."""
    if isinstance(block, Line):
        yield from block.parts()
    elif isinstance(block, Picture):
        yield from block.title
        yield from block.says
    else:
        for phrase in (block.caption, *block.heads, *(c for row in block.rows for c in row)):
            yield from phrase
        for note in block.notes:
            yield from note.parts()


def digest(tables: Tables, week: Week, show: Show, made_on: date) -> Page:
    """The digest of a week, from what the tables say today; pictures in the reader's units."""
    todo = to_do.lines(tables, week)
    seasons = {f["field"]: tables.season_on(f["field"], week.sunday) for f in tables.fields()}
    body = [
        *_weather(tables, week, show, seasons),
        *_water(tables, week, show, seasons),
        *_roots(tables, week, show, seasons),
        *_harvest(tables, week),
    ]
    if not any(seasons.values()) and not body:
        sections: tuple[Section, ...] = (Section(("The week",), tuple(_quiet(tables, week, todo))),)
        if todo:
            sections = (Section(("What needs hands",), tuple(todo)), *sections)
    else:
        first = todo or [Line(("Nothing needs hands this week.",))]
        sections = (Section(("What needs hands",), tuple(first)), *body)
    farm = tables("farm").to_dicts()
    name: Part = cell("farm", farm[0], "farm") if farm else "The farm"
    foot = _foot(sections, made_on)
    return Page((name, ": the week ", week.frame), (), sections, foot)


def _foot(sections: tuple[Section, ...], made_on: date) -> tuple[Line, ...]:
    made = Line(("Made on ", Frame(made_on.isoformat()), " from the published tables; each number can be looked up there."))  # fmt: skip
    money = any(section.title == ("Harvest and money",) for section in sections)
    return (Line((harvest.NOT_ADVICE,)), made) if money else (made,)


def _quiet(tables: Tables, week: Week, todo: list[Line]) -> Iterator[Line]:
    """A week without a crop and without news."""
    if not todo:
        yield Line(("Nothing needs hands this week.",))
    fields = tables.fields()
    if not fields:
        yield Line(("There is no field in the field book yet.",))
        return
    yield weather.all_in_one(tables, week) or Line(("No weather of this week is known.",))
    yield Line(("No crop stands; nothing new of roots, water or money.",))


def _some(title: str, blocks: list[Block]) -> list[Section]:
    return [Section((title,), tuple(blocks))] if blocks else []


def _weather(
    tables: Tables, week: Week, show: Show, seasons: dict[str, Row | None]
) -> list[Section]:
    growing = [f for f, season in seasons.items() if season is not None]
    if not growing:
        return []
    blocks: list[Block] = [told for f in growing for told in weather.lines(tables, week, f)]
    if not blocks:
        return _some("The week", [Line(("No weather of this week is known.",))])
    picture = rain.to_date(tables, week, growing, show)
    if picture is not None:
        blocks.append(picture)
    table = weather.grid(tables, week)
    return _some("The week", blocks + ([table] if table else []))


def _water(tables: Tables, week: Week, show: Show, seasons: dict[str, Row | None]) -> list[Section]:
    known = {}
    for field in tables.fields():
        depths = soil.left(tables, week, field["field"])
        if seasons[field["field"]] is not None and depths:
            known[field["field"]] = (field, depths)
    blocks: list[Block] = [told for f, d in known.values() for told in soil.lines(d, f)]
    if known:
        blocks.append(water.left({name: d for name, (_, d) in known.items()}, show))
        blocks.append(soil.grid({name: d for name, (_, d) in known.items()}))
    return _some("Soil water left", blocks)


def _roots(tables: Tables, week: Week, show: Show, seasons: dict[str, Row | None]) -> list[Section]:
    blocks: list[Block] = []
    taken: dict[str, list[Row]] = {}
    for field in tables.fields():
        season = seasons[field["field"]]
        if season is None:
            continue
        blocks += roots.lines(tables, week, season)
        rows = roots.uptake(tables, week, season)
        if rows:
            taken[field["field"]] = rows
            blocks += roots.came_from(rows)
    if taken:
        blocks += [uptake.of_week(taken, show), roots.grid(taken)]
    return _some("Roots, and where the water came from", blocks)


def _harvest(tables: Tables, week: Week) -> list[Section]:
    recent = tables("season").filter(
        pl.col("harvested").is_between(week.sunday - HARVEST_SHOWN, week.sunday)
    )
    blocks: list[Block] = []
    for row in recent.to_dicts():
        place = (row["field"], row["season"])
        found: list[Block] = [*harvest.response(tables, *place)]
        yields = harvest.strips(tables, *place)
        found += [yields] if yields else []
        found += harvest.limits(tables, *place)
        found += [*harvest.water_use(tables, *place), *harvest.money(tables, *place)]
        if not found:
            field, day = cell("season", row, "field"), cell("season", row, "harvested")
            found = [Line(say("{field} was harvested on {day}; no yields are in the field book yet.", field=field, day=day))]  # fmt: skip
        if row["harvested"] > week.monday - timedelta(days=1):
            found += harvest.fall(tables, row["field"], week.sunday.year, week.sunday)
        blocks += found
    return _some("Harvest and money", blocks)
