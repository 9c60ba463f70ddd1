"""The formats that stamps are written in: which of them read a column of stamps."""

import re
from collections.abc import Iterator
from functools import cache
from itertools import product

import polars as pl

from flows.intake.door.times import read_times
from schemas.farm.layout import Layout

DATES = (
    *("%Y-%m-%d", "%Y/%m/%d", "%Y.%m.%d", "%Y%m%d", "%d/%m/%Y", "%m/%d/%Y", "%d.%m.%Y"),
    *("%d-%m-%Y", "%m-%d-%Y", "%d-%b-%Y", "%d %b %Y", "%d-%b-%y", "%d/%m/%y", "%m/%d/%y"),
    *("%b %d %Y", "%d.%m.%y", "%Y %j", "%Y %m %d"),
)
CLOCKS = (
    *("%H:%M:%S", "%H:%M", "%I:%M:%S %p", "%I:%M %p", "%H%M%S", "%H%M", "%H", "%H %M"),
    HOURS := "hours",
)
DAYS = "%Y days"
JOINS = (" ", "T", "", ", ", "  ", "_")
EPOCHS = {"epoch_s": 1_000_000, "epoch_ms": 1_000}  # microseconds
ISO = r"^\d{4}-\d\d-\d\d([T ]\d\d(:\d\d){0,2}(\.\d+)?)?\s*(Z|UTC|GMT|[+-]\d\d:?\d\d)?$"
CODES = {"%Y": r"\d{4}", "%y": r"\d\d", "%b": r"[A-Za-z]{3}", "%p": r"[AaPp]\.?[Mm]\.?"}
CODES |= dict.fromkeys(("%m", "%d", "%H", "%I", "%M", "%S"), r"\d{1,2}") | {"%j": r"\d{1,3}"}
CODES |= {"hours": r"\d{1,2}([.,]\d+)?", "days": r"\d{1,3}[.,]\d+"}
DAY_FIRST = {"%d/%m/%Y": "%m/%d/%Y", "%d-%m-%Y": "%m-%d-%Y", "%d/%m/%y": "%m/%d/%y"}
SWAPPED = DAY_FIRST | {month_first: day_first for day_first, month_first in DAY_FIRST.items()}


def readings(stamp: pl.Series) -> Iterator[tuple[str, pl.Series]]:
    """Every format that reads nearly all of the stamps, with what it reads."""
    head = stamp.filter(stamp != "").head(40)
    if head.is_empty():
        return
    if head.str.contains(r"^\d{10}(\.\d+)?$").all():
        yield "epoch_s", read(stamp, "epoch_s")
        return
    if head.str.contains(r"^\d{13}$").all():
        yield "epoch_ms", read(stamp, "epoch_ms")
        return
    if head.str.contains(ISO).all():
        yield "iso", read(stamp, "iso")
        return
    for form in _forms(head):
        local = read(stamp, form)
        if local.null_count() <= 0.1 * local.len():
            yield form, local


@cache
def _shape(form: str) -> re.Pattern[str]:
    """What a stamp of that format looks like: cheap to try before it is read."""
    tight = "%H%M" in form or "%m%d" in form
    parts = re.split(r"(%[A-Za-z]|hours|days)", form)
    codes = CODES | (dict.fromkeys(("%m", "%d", "%H", "%M", "%S"), r"\d\d") if tight else {})
    return re.compile("".join(codes.get(p, re.escape(p)) for p in parts) + r"(\.\d+)?")


def _forms(head: pl.Series) -> list[str]:
    """Formats that read every one of the first stamps."""
    found = []
    clock = head.str.contains(r":|\d{3,}$|\d\s+\d{1,2}([.,]\d+)?$|[AaPp][Mm]$").any()
    for date in (*DATES, DAYS):
        forms = [date]
        if clock:
            forms += [
                f"{date}{join}{time}"
                for join, time in product(JOINS, CLOCKS)
                if time != HOURS or join == " "
            ]
        for form in forms:
            if not all(_shape(form).fullmatch(str(cell)) for cell in head.head(3)):
                continue
            if read(head, form).null_count() == 0 and not _too_loose(head, form):
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


def read(stamp: pl.Series, form: str) -> pl.Series:
    """Local times by the door's own rule, so that what is proposed is what will be read."""
    if form in EPOCHS:
        micros = stamp.cast(pl.Float64, strict=False) * EPOCHS[form]
        return micros.cast(pl.Int64).cast(pl.Datetime("us"))
    rule = Layout.model_validate(
        {
            "step": "1 h",
            "time": {"columns": ["t"], "format": form, "offset": "Z", "trust_zone": False},
            "columns": {"x": {"quantity": "raw", "sensor": "x"}},
        }
    )
    return read_times(pl.DataFrame({"time_0": stamp}), rule)["time"].dt.replace_time_zone(None)


def swapped(form: str) -> str | None:
    """Return the format with day and month exchanged, None if the two cannot be confused."""
    date = next((date for date in SWAPPED if form.startswith(date)), None)
    return None if date is None else form.replace(date, SWAPPED[date], 1)
