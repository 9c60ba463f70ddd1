"""The time columns of a grid: where they stand, how they are written, at what step."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import timedelta
from functools import cache
from itertools import product

import polars as pl

from flows.intake.door.times import read_times
from flows.setup.sniff.finding import CannotSniff, Grid, Sure
from flows.setup.sniff.heading_words import plain
from schemas.farm.layout import Layout

DATES = (
    *("%Y-%m-%d", "%Y/%m/%d", "%Y.%m.%d", "%Y%m%d", "%d/%m/%Y", "%m/%d/%Y", "%d.%m.%Y"),
    *("%d-%m-%Y", "%m-%d-%Y", "%d-%b-%Y", "%d %b %Y", "%d-%b-%y", "%d/%m/%y", "%m/%d/%y"),
    *("%b %d %Y", "%d.%m.%y", "%Y %j"),
)
CLOCKS = ("%H:%M:%S", "%H:%M", "%I:%M:%S %p", "%I:%M %p", "%H%M%S", "%H%M", "%H")
JOINS = (" ", "T", "", ", ", "  ", "_")
SAMPLE = 3000
TIME_WORDS = re.compile(
    r"(?<!\S)(time ?stamp|date ?time|date|time|day|hour|tmstamp|timestamp\w*|stamp|utc|lst|when|at|year|doy|hhmm|ts|t)(?!\S)"
)
SWAPPED = {"%d/%m/%Y": "%m/%d/%Y", "%d-%m-%Y": "%m-%d-%Y", "%d/%m/%y": "%m/%d/%y"}
ZONE_MARK = r"\s*(Z|UTC|GMT|[+-]\d{2}:?\d{2})$"


@dataclass(slots=True)
class Stamps:
    """Where the time stands and what it reads: local times without a zone."""

    places: tuple[int, ...]
    form: str
    local: pl.Series
    step_s: int
    mark: str | None = None  # the zone that stands in every stamp
    epoch: bool = False
    date_only: bool = False


def find(grid: Grid) -> Stamps:
    """The time columns; raises CannotSniff where there are none."""
    best: tuple[float, Stamps] | None = None
    for places, stamp in _candidates(grid):
        for form, local in _readings(stamp):
            score = _score(local) + (0.5 if _named(grid, places) else 0.0) - 0.01 * len(places)
            if best is None or score > best[0] + 1e-9:
                best = (score, _stamps(places, form, stamp, local))
    if best is None:
        raise none_found(grid)
    found = _whole(grid, best[1])
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


def _whole(grid: Grid, found: Stamps) -> Stamps:
    """The same of all rows, where only the first were looked at."""
    stamp = joined(grid.rows, found.places)
    if found.form.startswith("epoch"):
        local = _epoch(stamp, 1_000_000 if found.form == "epoch_s" else 1_000)
    else:
        local = _read(stamp, found.form)
    return _stamps(found.places, found.form, stamp, local)


def _padded(cells: pl.Series) -> pl.Series:
    """A column of bare hours and minutes (30, 1400) with the zeros that a spreadsheet dropped."""
    whole = cells.str.replace(r"\.0$", "")
    number = whole.cast(pl.Int64, strict=False).drop_nulls()
    clock = number.len() == cells.len() > 0 and bool(
        (number.is_between(0, 2400) & (number % 100 < 60)).all()
    )
    return whole.str.zfill(4) if clock and number.max() > 24 else cells  # type: ignore[operator]


def joined(rows: pl.DataFrame, places: tuple[int, ...]) -> pl.Series:
    """The stamps of some columns, joined by a blank as the door joins them."""
    cells = [rows[f"c{i}"] for i in places]
    if len(cells) > 1:
        cells[-1] = _padded(cells[-1])
    frame = pl.DataFrame({str(i): cell for i, cell in enumerate(cells)})
    return frame.select(pl.concat_str(pl.all(), separator=" ").alias("stamp"))["stamp"]


def _candidates(grid: Grid) -> Iterator[tuple[tuple[int, ...], pl.Series]]:
    """Columns, alone or joined, whose first cells could be a time."""
    rows = grid.rows.head(SAMPLE)
    texts = [rows[c] for c in rows.columns]
    clocks = {i: _padded(s) for i, s in enumerate(texts)}
    likely = [i for i, s in enumerate(texts) if s.len() and _looks(s)]
    for i in likely[:12]:
        yield (i,), texts[i]
    for i, j in product(likely[:12], repeat=2):
        if abs(i - j) == 1 and i < j:
            yield (i, j), _join(texts[i], clocks[j])
    for i in likely[:10]:
        if i + 2 in likely and i + 1 in likely:
            yield (i, i + 1, i + 2), _join(_join(texts[i], texts[i + 1]), clocks[i + 2])


def _join(first: pl.Series, second: pl.Series) -> pl.Series:
    return (first + " " + second).rename(first.name)


def _looks(cells: pl.Series) -> bool:
    some = [c for c in cells.head(50).to_list() if c]
    # at least two digits and nothing that only a value has
    good = [c for c in some if re.search(r"\d", c) and not re.fullmatch(r"[+-]?\d*[.,]\d+", c)]
    return len(good) >= 0.9 * len(some) > 0


def _readings(stamp: pl.Series) -> Iterator[tuple[str, pl.Series]]:
    """Every format that reads nearly all of the stamps, with what it reads."""
    head = stamp.filter(stamp != "").head(40)
    if head.is_empty():
        return
    if head.str.contains(r"^\d{10}(\.\d+)?$").all():
        yield "epoch_s", _epoch(stamp, 1_000_000)
        return
    if head.str.contains(r"^\d{13}$").all():
        yield "epoch_ms", _epoch(stamp, 1_000)
        return
    if head.str.contains(
        r"^\d{4}-\d\d-\d\d([T ]\d\d(:\d\d){0,2}(\.\d+)?)?\s*(Z|UTC|GMT|[+-]\d\d:?\d\d)?$"
    ).all():
        yield "iso", _read(stamp, "iso")
        return
    for form in _forms(head):
        local = _read(stamp, form)
        if local.null_count() <= 0.1 * local.len():
            yield form, local


CODES = {"%Y": r"\d{4}", "%y": r"\d\d", "%b": r"[A-Za-z]{3}", "%p": r"[AaPp]\.?[Mm]\.?"}
CODES |= dict.fromkeys(("%m", "%d", "%H", "%I", "%M", "%S"), r"\d{1,2}") | {"%j": r"\d{1,3}"}


@cache
def _shape(form: str) -> re.Pattern[str]:
    """What a stamp of that format looks like: cheap to try before it is read."""
    tight = "%H%M" in form or "%m%d" in form
    parts = re.split(r"(%[A-Za-z])", form)
    codes = CODES | (dict.fromkeys(("%m", "%d", "%H", "%M", "%S"), r"\d\d") if tight else {})
    return re.compile("".join(codes.get(p, re.escape(p)) for p in parts) + r"(\.\d+)?")


def _forms(head: pl.Series) -> list[str]:
    """Formats that read every one of the first stamps."""
    found = []
    clock = head.str.contains(r":|\d{3,}$|\d\s+\d{1,2}$|[AaPp][Mm]$").any()
    for date in DATES:
        forms = [date]
        if clock:
            forms += [f"{date}{join}{time}" for join, time in product(JOINS, CLOCKS)]
        for form in forms:
            if not all(_shape(form).fullmatch(str(cell)) for cell in head.head(3)):
                continue
            if _read(head, form).null_count() == 0 and not _too_loose(head, form):
                found.append(form)
                break
    return found


def _too_loose(head: pl.Series, form: str) -> bool:
    """Formats of bare digits must have as many digits as they stand for."""
    first = str(head[0])
    if form.endswith(("%H%M", "%H%M%S")):
        digits = re.search(r"(\d+)$", first)
        return digits is None or len(digits[1]) not in (4, 6, 12, 14)
    if form == "%Y%m%d":
        return len(first) != 8
    if form == "%Y %j":
        return not re.fullmatch(r"\d{4} \d{1,3}", first)
    return form.endswith("%H") and not re.search(r"\D\d{1,2}$", first)


def _read(stamp: pl.Series, form: str) -> pl.Series:
    """Local times by the door's own rule, so that what is proposed is what will be read."""
    rule = Layout.model_validate(
        {
            "step": "1 h",
            "time": {"columns": ["t"], "format": form, "offset": "Z"},
            "columns": {"x": {"quantity": "raw", "sensor": "x"}},
        }
    )
    frame = read_times(pl.DataFrame({"time_0": stamp}), rule)
    return frame["time"].dt.replace_time_zone(None)


def _epoch(stamp: pl.Series, scale: int) -> pl.Series:
    micros = stamp.cast(pl.Float64, strict=False) * scale
    return micros.cast(pl.Int64).cast(pl.Datetime("us"))


def _score(local: pl.Series) -> float:
    """How much a series looks like a logger's clock: read, forward, at one step."""
    read = local.drop_nulls()
    if read.len() < 2 or not 1950 <= sorted(read.dt.year().to_list())[read.len() // 2] <= 2100:
        return -1.0
    steps = read.diff().drop_nulls().dt.total_seconds()
    return read.len() / local.len() + share(steps >= 0) + share(steps == _usual(steps))


def share(flags: pl.Series) -> float:
    """How many of the flags are true, 0 to 1."""
    return int(flags.sum()) / flags.len() if flags.len() else 0.0


def _usual(steps: pl.Series) -> int:
    """The most frequent step forward in seconds, 0 where there is none."""
    usual = sorted(steps.filter(steps > 0).mode().to_list())
    return int(usual[0]) if usual else 0


def _named(grid: Grid, places: tuple[int, ...]) -> bool:
    return all(TIME_WORDS.search(plain(grid.names[i])) for i in places)


def _stamps(places: tuple[int, ...], form: str, stamp: pl.Series, local: pl.Series) -> Stamps:
    read = local.drop_nulls()
    step = _usual(read.diff().drop_nulls().dt.total_seconds())
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
    return not any(code in form for code in ("%H", "%I"))


def _note(grid: Grid, found: Stamps) -> None:
    names = [grid.names[i] for i in found.places]
    read = found.local.drop_nulls()
    grid.note(
        "time.columns",
        names,
        Sure.CERTAIN,
        f"{read.len()} of {found.local.len()} rows read as times",
    )
    other = _other_order(grid, found)
    grid.note(
        "time.format",
        found.form,
        Sure.UNSURE if other else Sure.CERTAIN,
        f"{read[0]} to {read[-1]}" + (f"; {other} reads as well: which is it?" if other else ""),
    )
    steps = read.diff().drop_nulls().dt.total_seconds()
    steps = steps.filter(steps != 0)  # rows of other sensors at the same time
    even = share(steps == found.step_s) if found.step_s else 0.0
    grid.note(
        "step",
        step_text(found.step_s),
        Sure.CERTAIN if even > 0.8 and read.len() > 3 else Sure.UNSURE,
        f"{even:.0%} of the times follow the one before by that",
    )


def _other_order(grid: Grid, found: Stamps) -> str | None:
    """The format with day and month exchanged, where it reads as evenly."""
    date = next((d for d in SWAPPED if found.form.startswith(d)), None)
    if date is None:
        date = next((d for d, other in SWAPPED.items() if found.form.startswith(other)), None)
        if date is None:
            return None
        swapped = found.form.replace(SWAPPED[date], date, 1)
    else:
        swapped = found.form.replace(date, SWAPPED[date], 1)
    local = _read(joined(grid.rows, found.places), swapped)
    as_good = local.null_count() <= found.local.null_count()
    return swapped if as_good and _score(local) >= _score(found.local) - 0.02 else None


def step_text(step_s: int) -> str:
    """A step in words, as a layout has it."""
    if step_s <= 0:
        return "1 h"
    for size, word in ((86400, "day"), (3600, "h"), (60, "min")):
        if step_s % size == 0:
            return f"{step_s // size} {word}"
    return f"{step_s} s"


def span_days(local: pl.Series) -> float:
    """Days from the first to the last time."""
    read = local.drop_nulls()
    if read.len() < 2:
        return 0.0
    span = read.max() - read.min()  # type: ignore[operator]
    return span / timedelta(days=1) if isinstance(span, timedelta) else 0.0
