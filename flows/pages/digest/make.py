"""Put a week's digest together: only what changed or matters, in order of use."""

from collections.abc import Iterator, Sequence
from datetime import date, timedelta

import polars as pl

from flows.pages.cells import Block, Line, Page, Row, Section, made_on, say_row
from flows.pages.pictures import rain, uptake, water
from flows.pages.published_tables import Tables
from flows.pages.reader_units import Show
from flows.pages.sections import evidence, harvest, irrigation, roots, soil, to_do, weather
from flows.pages.week import Week

HARVEST_SHOWN = timedelta(days=14)
_NOTHING_TO_DO = Line(("Nothing to do this week.",))
_NO_YIELDS = "{field} was harvested on {harvested}; no yields are in the field book yet."


def digest(tables: Tables, week: Week, show: Show, today: date) -> Page:
    """Put a week's digest together from what the tables say today; pictures in the reader's units."""
    tasks: list[Line] = to_do.lines(tables, week)
    seasons = {f["field"]: tables.season_on(f["field"], week.sunday) for f in tables.fields()}
    money = _harvest(tables, week)
    body = [
        *_weather(tables, week, show, seasons),
        *_water(tables, week, show, seasons),
        *_roots(tables, week, show, seasons),
        *money,
    ]
    if not any(seasons.values()) and not body:
        body = _section("The week", [*([] if tasks else [_NOTHING_TO_DO]), *_quiet(tables, week)])
    else:
        tasks = tasks or [_NOTHING_TO_DO]
    sections = (*_section("To do this week", tasks), *body)
    caution = [Line((harvest.NOT_ADVICE,))] if money else []
    title = (tables.farm_name(), ": the week ", week.frame)
    return Page(title, (), sections, (*caution, made_on(today)))


def _quiet(tables: Tables, week: Week) -> Iterator[Line]:
    """Say what there is in a week without a crop and without news."""
    fields = tables.fields()
    if not fields:
        yield Line(("There is no field in the field book yet.",))
        return
    yield weather.whole_farm(tables, week) or Line(("No weather of this week is known.",))
    for field in fields:
        yield from irrigation.of_week(tables, week, field["field"])
    yield Line(("No crop stands; nothing new of roots, water or money.",))


def _section(title: str, blocks: Sequence[Block]) -> list[Section]:
    """Return the section of that title, or nothing if there is nothing in it."""
    return [Section((title,), tuple(blocks))] if blocks else []


def _weather(
    tables: Tables, week: Week, show: Show, seasons: dict[str, Row | None]
) -> list[Section]:
    growing = [f for f, season in seasons.items() if season is not None]
    if not growing:
        return []
    blocks: list[Block] = [line for f in growing for line in weather.lines(tables, week, f)]
    if not blocks:
        return _section("The week", [Line(("No weather of this week is known.",))])
    blocks += rain.to_date(tables, week, growing, show)
    return _section("The week", [*blocks, *weather.station_grid(tables, week)])


def _water(tables: Tables, week: Week, show: Show, seasons: dict[str, Row | None]) -> list[Section]:
    known: dict[str, soil.Depths] = {}
    blocks: list[Block] = []
    for field in tables.fields():
        name = field["field"]
        depths = soil.water_left(tables, week, name)
        if seasons[name] is not None and depths:
            known[name] = depths
            blocks += [*soil.lines(depths, field), *soil.profile(tables, week, name)]
        elif seasons[name] is not None:
            blocks += soil.not_known(tables, week, field)
    if known:
        blocks += [water.left(known, show), soil.left_grid(known)]
    return _section("Soil water left", blocks)


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
        blocks += [uptake.of_week(taken, show), roots.uptake_grid(taken)]
    return _section("Roots, and where the water came from", blocks)


def _harvest(tables: Tables, week: Week) -> list[Section]:
    recent = tables("season").filter(
        pl.col("harvested").is_between(week.sunday - HARVEST_SHOWN, week.sunday)
    )
    blocks: list[Block] = []
    for row in recent.to_dicts():
        place = (row["field"], row["season"])
        found: list[Block] = [
            *harvest.response(tables, *place),
            *harvest.strips(tables, *place),
            *harvest.limits(tables, *place),
            *harvest.water_use(tables, *place),
            *harvest.money(tables, *place),
        ]
        blocks += found or [Line(say_row("season", row, _NO_YIELDS))]
        if row["harvested"] >= week.monday:
            blocks += harvest.fall(tables, row["field"], week.sunday.year, week.sunday)
    if not recent.is_empty():
        practices = tables("field")["practice"].drop_nulls().unique().sort()
        blocks += [line for one in practices for line in evidence.lines(tables, one)]
    return _section("Harvest and money", blocks)
