"""Put a week's digest together: the letter is one look, the page begins with it and has all else."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import polars as pl

from flows.pages import render
from flows.pages.cells import Block, Frame, Line, Page, Phrase, Row, Section, made_on, say, say_row
from flows.pages.pictures import rain, roots_week, uptake, water
from flows.pages.published_tables import Tables, own_field
from flows.pages.reader_units import Show
from flows.pages.sections import evidence, glance, harvest, irrigation, roots, soil, to_do, weather
from flows.pages.sections.causes import Cause, begun, counted
from flows.pages.week import Week
from flows.pages.year import lines as year
from flows.pages.year.items import Item
from flows.pages.year.lines import Group
from flows.pages.year.place import Made

HARVEST_SHOWN = timedelta(days=14)
# A letter's text part is read on a screen or two, and worth reading by itself.
LETTER_LINES = 40
# Fields and things to do that a letter may name, the most first; panels of its pictures.
_MOST = (12, 9, 7, 6, 5, 4, 3, 2, 1)
_PANELS = 4
_NOTES = 3
_TASKS = 3  # of the season, in a letter
_YEAR = "The trial's year"
_NOTHING_TO_DO = Line(("Nothing to do this week.",))
_NO_YIELDS = "{field} was harvested on {harvested}; no yields are in the field book yet."


@dataclass(frozen=True, slots=True)
class _Known:
    """What both the letter and the page are made from."""

    tables: Tables
    week: Week
    show: Show
    today: date
    causes: list[Cause]
    seasons: dict[str, Row | None]
    details: list[Section]
    due: list[Group]
    ahead: list[Section]

    @property
    def growing(self) -> list[str]:
        return [field for field, season in self.seasons.items() if season is not None]

    @property
    def quiet(self) -> bool:
        """Whether there is neither a crop nor anything new."""
        return not self.growing and not self.details

    def page(self, sections: Sequence[Section], foot: Sequence[Line]) -> Page:
        title = (self.tables.farm_name(), ": ", self.week.frame)
        under = glance.headline(self.tables, self.week, self.causes, self.show, len(self.due))
        return Page(
            title, under, tuple(sections), (*foot, *self.tables.who_is_who(), made_on(self.today))
        )


def digest(tables: Tables, week: Week, show: Show, today: date, made: Made | None = None) -> Page:
    """Put the page of a week together from what the tables say today; pictures in the reader's units.

    ``made``: what the farm folder holds beside the tables, for the tasks of the season.
    """
    known = _known(tables, week, show, today, made)
    money = any(section.title == (_MONEY,) for section in known.details)
    caution = [Line((harvest.NOT_ADVICE,))] if money else []
    return known.page([*_one_look(known, None), *known.details, *known.ahead], caution)


def letter(  # noqa: PLR0917
    tables: Tables, week: Week, show: Show, today: date, saved: str, made: Made | None = None
) -> Page:
    """Put the letter of a week together: one look, and where the page with all else is ``saved``.

    As many fields and things to do as fit into ``LETTER_LINES`` lines of text are in it.
    """
    known = _known(tables, week, show, today, made)
    where = _where(known, saved)
    found = known.page(_one_look(known, _MOST[0]), where)
    for most in _MOST[1:]:
        if render.text(found, show).count("\n") <= LETTER_LINES:
            break
        found = known.page(_one_look(known, most), where)
    return found


def _where(known: _Known, saved: str) -> list[Line]:
    titles = [known.show.phrase(section.title) for section in (*known.details, *known.ahead)]
    if not titles:
        return [Line(("The same as a page: ", Frame(saved)))]
    has: Phrase = tuple(
        part
        for i, title in enumerate(titles)
        for part in ((", ", title.lower()) if i else (title.lower(),))
    )
    return [Line((*say("The full page ({has}): ", has=has), Frame(saved)))]


def _known(tables: Tables, week: Week, show: Show, today: date, made: Made | None) -> _Known:
    seasons = {f["field"]: tables.season_on(f["field"], week.sunday) for f in tables.watched()}
    details = [
        *_weather(tables, week, seasons),
        *_water(tables, week, show, seasons),
        *_roots(tables, week, show, seasons),
        *_harvest(tables, week),
    ]
    due, ahead = year.of_week(tables, week, made)
    causes = to_do.causes(tables, week)
    return _Known(tables, week, show, today, causes, seasons, details, due, _section(_YEAR, ahead))


# ---- one look --------------------------------------------------------------------------------


def _one_look(known: _Known, most: int | None) -> list[Section]:
    """Return the table, the things to do and at most two pictures; with ``most`` only so many of each."""
    fields = _urgent_first(known)[:most] if most else list(known.seasons)
    tasks = [cause.line for cause in known.causes[:most]]
    tasks += _left_out(len(known.causes) - len(tasks), "more thing", "to do")
    tasks += _due(known, min(most, _TASKS) if most else None)
    if known.quiet:
        return _section("The week", [*(tasks or [_NOTHING_TO_DO]), *_quiet(known)])
    notes = _NOTES if most else 1000
    busy = {item.place.whole_field for item in _items(known.due)}
    seasonal = {row["field"] for row in known.tables.watched() if own_field(row) in busy}
    every: list[Block] = [
        glance.table(known.tables, known.week, known.causes, fields, notes, seasonal)
    ]
    every += _left_out(len(known.seasons) - len(fields), "more field", "")
    shown = [field for field in fields if field in known.growing]
    return [
        *_section("Each field this week", every),
        *_section("To do this week", tasks or [_NOTHING_TO_DO]),
        Section((), tuple(_pictures(known, shown[: _PANELS if most else None]))),
    ]


def _due(known: _Known, most: int | None) -> list[Line]:
    """Return the seasonal tasks; if the ground may be worked, the caution with them."""
    shown = known.due[:most]
    left = _left_out(len(known.due) - len(shown), "more seasonal task", "due")
    return [*(group.line for group in shown), *left, *year.cautions(_items(shown))]


def _items(groups: Sequence[Group]) -> Iterator[Item]:
    return (item for group in groups for item in group.items)


def _urgent_first(known: _Known) -> list[str]:
    """Return the fields, those with something to do and those with a crop first."""
    busy = {field for cause in known.causes for field in cause.at}
    return sorted(known.seasons, key=lambda f: (f not in busy, known.seasons[f] is None))


def _left_out(number: int, noun: str, what: str) -> list[Line]:
    """Say how many are on the full page only."""
    if number <= 0:
        return []
    more = begun((*counted(number, noun), f" {what}".rstrip(), " on the full page."))
    return [Line(more)]


def _pictures(known: _Known, fields: list[str]) -> list[Block]:
    return [
        *rain.to_date(known.tables, known.week, fields, known.show),
        *roots_week.fronts(known.tables, known.week, fields, known.show),
    ]


def _quiet(known: _Known) -> Iterator[Line]:
    """Say what there is in a week without a crop and without news."""
    tables, week = known.tables, known.week
    fields = tables.watched()
    if not fields:
        yield Line(("There is no field in the field book yet.",))
        return
    yield weather.whole_farm(tables, week) or Line(("No weather of this week is known.",))
    for field in fields:
        yield from irrigation.of_week(tables, week, field["field"])
    if known.due:
        yield Line(("No crop stands.",))
    else:
        yield Line(("No crop stands; nothing new of roots, water or money.",))


# ---- details ---------------------------------------------------------------------------------

_MONEY = "Harvest and money"


def _section(title: str, blocks: Sequence[Block]) -> list[Section]:
    """Return the section of that title, or nothing if there is nothing in it."""
    return [Section((title,), tuple(blocks))] if blocks else []


def _weather(tables: Tables, week: Week, seasons: dict[str, Row | None]) -> list[Section]:
    growing = {f: season for f, season in seasons.items() if season is not None}
    if not growing:
        return []
    blocks: list[Block] = [
        *weather.station_grid(tables, week),
        *weather.crop_grid(tables, week, list(growing.values())),
        *weather.lines(tables, week, list(growing)),
    ]
    return _section("Weather", blocks or [Line(("No weather of this week is known.",))])


def _water(tables: Tables, week: Week, show: Show, seasons: dict[str, Row | None]) -> list[Section]:
    known: dict[str, soil.Depths] = {}
    blocks: list[Block] = []
    for field in tables.watched():
        name = field["field"]
        depths = soil.water_left(tables, week, name)
        if seasons[name] is not None and depths:
            known[name] = depths
            blocks += [*soil.lines(depths, field), *soil.profile(tables, week, name)]
            blocks += soil.stress(tables, week, name)
        elif seasons[name] is not None:
            blocks += soil.not_known(tables, week, field)
    if known:
        blocks += [water.left(known, show), soil.left_grid(known)]
    return _section("Soil water by depth", blocks)


def _roots(tables: Tables, week: Week, show: Show, seasons: dict[str, Row | None]) -> list[Section]:
    blocks: list[Block] = []
    taken: dict[str, list[Row]] = {}
    for field in tables.watched():
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
    return _section("Roots and uptake by depth", blocks)


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
    if not recent.is_empty():
        practices = tables("field")["practice"].drop_nulls().unique().sort()
        blocks += [line for one in practices for line in evidence.lines(tables, one)]
    return _section(_MONEY, blocks)
