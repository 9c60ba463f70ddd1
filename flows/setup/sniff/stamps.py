"""The time columns of a grid: where they stand, how they are written, at what step."""

import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import timedelta
from functools import reduce
from itertools import product

import polars as pl

from flows.base.plain_text import counted
from flows.setup.sniff.finding import CannotSniff, Grid, Sure
from flows.setup.sniff.heading_parts import plain
from flows.setup.sniff.stamp_formats import read, readings, swapped

SAMPLE = 3000
TIME_WORDS = re.compile(
    r"(?<!\S)(time ?stamp|date ?time|date|time|day|hour|tmstamp|timestamp\w*|stamp|utc|lst|when|at"
    r"|year|yr|month|mon|mo|dy|minute|min|hrs?|hr ?min|doy|jday|hhmm|ts|t)(?!\S)"
)
HALF_DAY = re.compile(r"[ap]\.?m\.?", re.IGNORECASE)
HOUR_WORDS = re.compile(r"(?<!\S)(hours?|hrs?|hr ?min|time)(?!\S)")
DAY_WORDS = re.compile(r"(?<!\S)(doy|jday|jd|julian|yday|day of (the )?year)(?!\S)")
HOUR_ALONE = re.compile(r"hours?|hrs?|hh")
ROLES = {
    "year": re.compile(r"year|yr|yyyy"),
    "month": re.compile(r"month|mon|mo|mm"),
    "day": re.compile(r"day|dd|dy|dom|day of (the )?month"),
    "doy": re.compile(r"doy|jday|jd|julian( day)?|yday|day of (the )?year"),
    "hour": re.compile(r"hours?|hrs?|hh|hhmm|hr ?min|time"),
    "minute": re.compile(r"minutes?|mins?|mi"),
}
ZONE_MARK = r"\s*(Z|UTC|GMT|[+-]\d{2}:?\d{2})$"


@dataclass(slots=True)
class Stamps:
    """Where the time stands and what it reads: local times without a zone."""

    places: tuple[int, ...]
    form: str
    local: pl.Series
    step_s: int
    mark: str | None = None  # the zone in every stamp
    epoch: bool = False
    date_only: bool = False


def find(grid: Grid) -> Stamps:
    """The time columns; raises CannotSniff where there are none."""
    best: tuple[float, Stamps] | None = None
    for places, stamp in _candidates(grid):
        for form, local in readings(stamp):
            if _contradicts(grid, places, form):
                continue
            score = _score(local) + (0.5 if _named(grid, places) else 0.0) - 0.01 * len(places)
            if best is None or score > best[0] + 1e-9:
                best = (score, _stamps(places, form, stamp, local))
    if best is None:
        raise none_found(grid)
    found = _of_all_rows(grid, best[1])
    _note(grid, found)
    return found


def none_found(grid: Grid) -> CannotSniff:
    """What to raise where no time can be made out."""
    return CannotSniff(
        "No column of times can be found in it. The headings are " + ", ".join(grid.names) + "."
    )


def only_days(found: Stamps) -> bool:
    """Whether most rows have the day of the row before.

    Unless a row is of one sensor or instrument, the time of day is then still to be found.
    """
    if not found.date_only:
        return False
    steps = found.local.drop_nulls().diff().drop_nulls().dt.total_seconds()
    return steps.len() > 3 and share(steps == 0) > 0.7


def _of_all_rows(grid: Grid, found: Stamps) -> Stamps:
    """The same of all rows, where only the first were looked at."""
    stamp = joined(grid, found.places)
    return _stamps(found.places, found.form, stamp, read(stamp, found.form))


def _padded(cells: pl.Series, name: str) -> pl.Series:
    """A column of bare hours and minutes (30, 1400) with the zeros that a spreadsheet dropped.

    By its heading ``name`` it may hold days or minutes instead.
    """
    if any(ROLES[role].fullmatch(plain(name)) for role in ("day", "doy", "month", "minute")):
        return cells
    whole = cells.str.replace(r"\.0$", "")
    number = whole.cast(pl.Int64, strict=False).drop_nulls()
    clock = number.len() == cells.len() > 0 and bool(
        (number.is_between(0, 2400) & (number % 100 < 60)).all()
    )
    return whole.str.zfill(4) if clock and number.max() > 59 else cells  # type: ignore[operator]


def joined(grid: Grid, places: tuple[int, ...]) -> pl.Series:
    """The stamps of some columns, joined by a blank as the door joins them."""
    cells = [grid.rows[f"c{i}"] for i in places]
    if len(cells) > 1:
        cells[-1] = _padded(cells[-1], grid.names[places[-1]])
    frame = pl.DataFrame({str(i): cell for i, cell in enumerate(cells)})
    return frame.select(pl.concat_str(pl.all(), separator=" ").alias("stamp"))["stamp"]


def _candidates(grid: Grid) -> Iterator[tuple[tuple[int, ...], pl.Series]]:
    """Columns, alone or joined, whose first cells could be a time."""
    rows = grid.rows.head(SAMPLE)
    texts = [rows[c] for c in rows.columns]
    clocks = {i: _padded(s, grid.names[i]) for i, s in enumerate(texts)}
    likely = [
        i
        for i, s in enumerate(texts)
        if s.len() and (_may_be_time(s) or _are_decimals_of_time(grid.names[i], s))
    ]
    for i in likely[:12]:
        yield (i,), texts[i]
    for i, j in product(likely[:12], repeat=2):
        if abs(i - j) == 1 and i < j:
            yield (i, j), _join(texts[i], clocks[j])
    for i in likely[:10]:
        if i + 2 in likely and i + 1 in likely:
            yield (i, i + 1, i + 2), _join(_join(texts[i], texts[i + 1]), clocks[i + 2])
    for places in _by_roles(grid.names):
        *before, last = places
        yield places, reduce(_join, [*(texts[i] for i in before), clocks[last]])


def _by_roles(names: list[str]) -> Iterator[tuple[int, ...]]:
    """Columns that are a date, or a date and a clock time, by their headings, wherever they stand."""
    place = {
        role: next((i for i, name in enumerate(names) if words.fullmatch(plain(name))), None)
        for role, words in ROLES.items()
    }
    for date in (("year", "doy"), ("year", "month", "day")):
        for clock in ((), ("hour",), ("hour", "minute")):
            found = [place[role] for role in (*date, *clock)]
            if None not in found and len(set(found)) == len(found):
                yield tuple(i for i in found if i is not None)


def _contradicts(grid: Grid, places: tuple[int, ...], form: str) -> bool:
    """Whether the headings say otherwise than a format.

    That a number is of the month, or of the year's days; or that minutes stand beside the hour.
    """
    names = [plain(grid.names[i]) for i in places]
    months, days = (any(ROLES[role].fullmatch(name) for name in names) for role in ("month", "doy"))
    minutes = {i for i, name in enumerate(grid.names) if ROLES["minute"].fullmatch(plain(name))}
    minutes = {i for i in minutes if grid.rows[f"c{i}"].head(50).str.contains(r"^[0-5]?\d$").all()}
    hours = any(HOUR_ALONE.fullmatch(name) for name in names)
    without = bool(hours and minutes and not minutes & set(places))
    return without or (months and "%j" in form) or (days and ("%m" in form or "%d" in form))


def _join(first: pl.Series, second: pl.Series) -> pl.Series:
    return (first + " " + second).rename(first.name)


def _may_be_time(cells: pl.Series) -> bool:
    some = [c for c in cells.head(50).to_list() if c]
    if _are_half_days(cells):
        return True
    # at least two digits and nothing that only a value has
    good = [c for c in some if re.search(r"\d", c) and not re.fullmatch(r"[+-]?\d*[.,]\d+", c)]
    return len(good) >= 0.9 * len(some) > 0


def _are_decimals_of_time(name: str, cells: pl.Series) -> bool:
    """Whether a column has hours of the day, or days of the year, as decimal numbers, by its heading."""
    most = 367 if DAY_WORDS.search(plain(name)) else 24
    if most == 24 and not HOUR_WORDS.search(plain(name)):
        return False
    number = cells.str.replace(",", ".", literal=True).cast(pl.Float64, strict=False).drop_nulls()
    return number.len() > 0.9 * cells.len() and bool(number.is_between(0, most).all())


def _score(local: pl.Series) -> float:
    """How much a series looks like a logger's clock: read, forward, at one step."""
    times = local.drop_nulls()
    if times.len() < 2 or not 1950 <= sorted(times.dt.year().to_list())[times.len() // 2] <= 2100:
        return -1.0
    steps = times.diff().drop_nulls().dt.total_seconds()
    return times.len() / local.len() + share(steps >= 0) + share(steps == _usual(steps))


def share(flags: pl.Series) -> float:
    """How many of the flags are true, 0 to 1."""
    return int(flags.sum()) / flags.len() if flags.len() else 0.0


def _usual(steps: pl.Series) -> int:
    """The most frequent step forward in seconds, 0 where there is none."""
    usual = sorted(steps.filter(steps > 0).mode().to_list())
    return int(usual[0]) if usual else 0


def _named(grid: Grid, places: tuple[int, ...]) -> bool:
    return all(
        TIME_WORDS.search(plain(grid.names[i])) or _are_half_days(grid.rows[f"c{i}"])
        for i in places
    )


def _are_half_days(cells: pl.Series) -> bool:
    some = [c for c in cells.head(50).to_list() if c]
    return bool(some) and all(HALF_DAY.fullmatch(c) for c in some)


def _stamps(places: tuple[int, ...], form: str, stamp: pl.Series, local: pl.Series) -> Stamps:
    times = local.drop_nulls()
    step = _usual(times.diff().drop_nulls().dt.total_seconds())
    marks = stamp.str.extract(ZONE_MARK).drop_nulls().unique().to_list() if form == "iso" else []
    return Stamps(
        places,
        form,
        local,
        step,
        mark=marks[0] if len(marks) == 1 else ("several" if marks else None),
        epoch=form.startswith("epoch"),
        date_only=not form.startswith("epoch") and _has_no_clock(form, stamp),
    )


def _has_no_clock(form: str, stamp: pl.Series) -> bool:
    if form == "iso":
        return not bool(stamp.str.contains(r"\d[T ]\d\d").any())
    return not any(code in form for code in ("%H", "%I", "hours", "days"))


def _note(grid: Grid, found: Stamps) -> None:
    names = [grid.names[i] for i in found.places]
    times = found.local.drop_nulls()
    grid.note(
        "time.columns",
        names,
        Sure.CERTAIN,
        f"{times.len()} of {counted(found.local.len(), 'row')} read as times",
    )
    other = _other_order(grid, found)
    grid.note(
        "time.format",
        found.form,
        Sure.UNSURE if other else Sure.CERTAIN,
        f"{times[0]} to {times[-1]}" + (f"; {other} reads as well: which is it?" if other else ""),
    )
    steps = times.diff().drop_nulls().dt.total_seconds()
    steps = steps.filter(steps != 0)  # rows of other sensors at the same time
    even = share(steps == found.step_s) if found.step_s else 0.0
    grid.note(
        "step",
        step_text(found.step_s),
        Sure.CERTAIN if even > 0.8 and times.len() > 3 else Sure.UNSURE,
        f"{even:.0%} of the times follow the one before by that",
    )


def _other_order(grid: Grid, found: Stamps) -> str | None:
    """The format with day and month exchanged, where it reads as evenly."""
    other = swapped(found.form)
    if other is None:
        return None
    local = read(joined(grid, found.places), other)
    as_good = local.null_count() <= found.local.null_count()
    return other if as_good and _score(local) >= _score(found.local) - 0.02 else None


def step_text(step_s: int) -> str:
    """A step as text, as a layout has it."""
    if step_s <= 0:
        return "1 h"
    for size, word in ((86400, "day"), (3600, "h"), (60, "min")):
        if step_s % size == 0:
            return f"{step_s // size} {word}"
    return f"{step_s} s"


def span_days(local: pl.Series) -> float:
    """Days from the first to the last time."""
    times = local.drop_nulls()
    if times.len() < 2:
        return 0.0
    span = times.max() - times.min()  # type: ignore[operator]
    return span / timedelta(days=1) if isinstance(span, timedelta) else 0.0
