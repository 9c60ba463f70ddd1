"""Time stamps as loggers write them → UTC, labeled by the end of the interval."""

from __future__ import annotations

import re
from datetime import timedelta
from itertools import zip_longest

import polars as pl

from schemas.farm.layout import Layout, TimeStamp

# Tried in this order; a stamp that fits none is refused. Fractions of a second may follow.
PLAIN = "%Y-%m-%d %H:%M:%S"
ISO = ("%Y-%m-%d %H:%M:%S%.f", "%Y-%m-%d %H:%M", "%Y-%m-%d", "%Y%m%d")
# Widths of time columns that are bare digits.
WIDTHS = {"%H%M": 4, "%H%M%S": 6, "%Y": 4, "%j": 3, "%m": 2, "%d": 2}
# Parts of a format that are decimal numbers: seconds in one, and where they begin.
DECIMALS = {"hours": (3600, 0.0), "days": (86_400, 1.0)}
MOST_DECIMAL = {"hours": 24.0, "days": 367.0}
NEEDED_BLANKS = re.compile(r"\s+(?!%[pPzZ])")  # 8:00AM is as good as 8:00 AM
ZONE_WRITTEN = r"\s*(Z|UTC|GMT|[+-]\d{2}:?\d{2})$"
ZONE_IN_FORMAT = re.compile(r"\s*(?:%[zZ]|Z)$")
OTHER_ZONE = "other_zone"  # the zone that a stamp names, where the layout says another
LAST_US = 253_402_300_799_000_000  # of the year 9999, in microseconds since 1970


def read_times(
    frame: pl.DataFrame, layout: Layout, standard: timedelta = timedelta()
) -> pl.DataFrame:
    """Replace the ``time_*`` columns by ``stamp`` (as written) and ``time`` (UTC, null where unreadable).

    ``standard`` is the farm's own standard time minus UTC: the clock of a daily record whose
    layout names no zone.

    An hour that the clock shows twice when daylight saving ends is distinguished by its order in the
    file: the first pass is summer time, the second standard time. Where only one pass is there,
    the unbroken run of stamps around it decides; where that cannot, the time is null.

    A stamp that names another zone than the layout has no time, and that zone in the column
    ``OTHER_ZONE`` (which is there only if such a stamp is).
    """
    stamps = sorted(name for name in frame.columns if name.startswith("time_"))
    parts = layout.time.format.split(" ")
    widths = [WIDTHS.get(part) for part in parts] if len(parts) == len(stamps) else []
    cells = [
        pl.col(name).str.strip_chars() if width is None else padded(pl.col(name), width)
        for name, width in zip_longest(stamps, widths)
    ]
    frame = frame.with_columns(pl.concat_str(cells, separator=" ").alias("stamp")).drop(stamps)
    rule = layout.time
    time = _epoch(rule) if rule.format.startswith("epoch") else None
    if time is not None:
        frame = frame.with_columns(time.alias("time"))
    elif rule.trust_zone:
        frame = _with_written_zone(frame, rule)
    else:
        step = timedelta(seconds=layout.step_s)
        frame = _in_zone(_local(frame, rule, step), rule, step, standard)
        if rule.trust_zone is None and (rule.offset or rule.zone):
            frame = _compared(frame, rule)
        frame = frame.drop("local")
    if layout.end_after_s:
        frame = frame.with_columns(pl.col("time") + timedelta(seconds=layout.end_after_s))
    return frame


def padded(cells: pl.Expr, width: int) -> pl.Expr:
    """Return clock times as bare digits with the leading zeros that a spreadsheet drops (0030)."""
    text = cells.str.strip_chars().str.replace(r"\.0$", "")
    return pl.when(text.str.contains(r"^\d+$")).then(text.str.zfill(width)).otherwise(text)


def _epoch(rule: TimeStamp) -> pl.Expr:
    unit = rule.format.removeprefix("epoch_")
    scale = {"s": 1_000_000, "ms": 1_000, "us": 1}[unit]
    micros = pl.col("stamp").cast(pl.Float64, strict=False) * scale
    calendar = micros.is_between(0, LAST_US)  # what is no number is not between
    return pl.when(calendar).then(micros).cast(pl.Int64).cast(pl.Datetime("us", "UTC"))


def _local(frame: pl.DataFrame, rule: TimeStamp, step: timedelta) -> pl.DataFrame:
    """Add ``local``, the stamp as a time of the logger's clock, null where it cannot be read."""
    if DECIMALS.keys() & set(rule.format.split(" ")):
        return _with_decimals(frame, rule.format.split(" "), step)
    if rule.format != "iso":
        stamps, form = frame["stamp"], rule.format
        if ZONE_IN_FORMAT.search(form):
            stamps, form = stamps.str.replace(ZONE_WRITTEN, ""), ZONE_IN_FORMAT.sub("", form)
        return frame.with_columns(_parse(stamps, form).alias("local"))
    local = _strptime(frame["stamp"], PLAIN)
    if local.null_count() == 0:
        return frame.with_columns(local.alias("local"))
    plain = pl.col("stamp").str.replace(ZONE_WRITTEN, "").str.replace("T", " ", literal=True)
    plain = plain.str.replace(r"^(\S+ \d\d)$", "${1}:00").str.strip_chars()
    written = frame.select(plain).to_series()
    for form in ISO:  # one is usually enough for a file; the others only where some are left
        local = local.zip_with(local.is_not_null(), _parse(written, form))
        if local.null_count() == 0:
            break
    return frame.with_columns(local.alias("local"))


def _with_decimals(frame: pl.DataFrame, parts: list[str], step: timedelta) -> pl.DataFrame:
    """Add ``local`` for a format with decimal hours or days (of the year, from 1).

    What they count is added to the date of the other parts, rounded to a whole minute (or second,
    where the step is no whole minute): 0.33 hours are 20 minutes.
    """
    cells = pl.col("stamp").str.split(" ")
    whole = 60 if step.total_seconds() % 60 == 0 else 1
    form, dates, added = [], [], []
    for i, part in enumerate(parts):
        cell = cells.list.get(i, null_on_oob=True)
        if part not in DECIMALS:
            form.append(part)
            dates.append(cell)
            continue
        seconds, first = DECIMALS[part]
        number = cell.str.replace(",", ".", literal=True).cast(pl.Float64, strict=False)
        inside = number.is_between(first, MOST_DECIMAL[part])
        after = ((number - first) * seconds / whole).round() * whole
        added.append(pl.when(inside).then(pl.duration(seconds=after.cast(pl.Int64))))
        if part == "days":
            form.append("%j")
            dates.append(pl.lit("001"))
    date = frame.select(
        pl.when(cells.list.len() == len(parts)).then(pl.concat_str(dates, separator=" "))
    ).to_series()
    local = pl.lit(_parse(date, " ".join(form)))
    for span in added:
        local += span
    return frame.with_columns(local.alias("local"))


def _strptime(stamp: pl.Series, form: str) -> pl.Series:
    read = stamp.str.strptime(pl.Datetime("us"), form, strict=False)
    # The parser takes a blank for any number of them, none too: 2021-06-010:00, of which a piece is
    # lost, would be midnight.
    blanks = len(NEEDED_BLANKS.findall(form.strip()))
    if not blanks or read.null_count() == len(read):
        return read
    if re.search("%[pP]", form):
        stamp = stamp.str.replace(r"(?i)\s+[ap]m", "")
    if blanks == 1:
        parted = stamp.str.contains(" ", literal=True)
    else:
        parted = stamp.str.count_matches(" ", literal=True) >= blanks
    return read if parted.all() else read.set(~parted.fill_null(True), None)


def _parse(stamp: pl.Series, form: str) -> pl.Series:
    if re.search("%[HIk]", form) and not any(
        code in form for code in ("%M", "%T", "%R", "%X", "%c")
    ):
        stamp, form = stamp + " 00", form + " %M"  # the parser wants minutes beside an hour
    if not any(code in form for code in ("%H", "%I", "%T", "%R", "%X", "%c", "%k")):
        return stamp.str.strptime(pl.Date, form, strict=False).cast(pl.Datetime("us"))
    read = _strptime(stamp, form)
    if read.null_count() == 0:
        return read
    # a 24:00 is the next day's 00:00
    is_24 = stamp.str.contains(r"\b24:?00|\b24 00$").fill_null(False)
    midnight = _strptime(stamp.str.replace(r"\b24(:?00| 00$)", "00${1}"), form)
    return read.zip_with(read.is_not_null() | ~is_24, midnight + timedelta(days=1))


def _with_written_zone(frame: pl.DataFrame, rule: TimeStamp) -> pl.DataFrame:
    """Return times by the zone in each stamp; null where none does."""
    offset = _written_offset()
    time = (pl.col("local") - offset).dt.replace_time_zone("UTC")
    iso = rule.model_copy(update={"format": "iso"})
    return (
        _local(frame, iso, timedelta())
        .with_columns(time=pl.when(offset.is_not_null()).then(time))
        .drop("local")
    )


def _written_offset() -> pl.Expr:
    """Return the offset from UTC of the zone in each stamp; null where none does."""
    zone = pl.col("stamp").str.extract(ZONE_WRITTEN).str.replace_all(":", "")
    hours = zone.str.slice(1, 2).cast(pl.Int32, strict=False).fill_null(0)
    minutes = zone.str.slice(3, 2).cast(pl.Int32, strict=False).fill_null(0)
    sign = pl.when(zone.str.starts_with("-")).then(-1).otherwise(1)
    offset = pl.duration(minutes=sign * (hours * 60 + minutes))
    return pl.when(zone.is_not_null()).then(offset)


def _compared(frame: pl.DataFrame, rule: TimeStamp) -> pl.DataFrame:
    """Compare the zone that stamps name with the layout's: where they differ there is no time.

    In a zone with daylight saving the stamp's own offset tells the doubled hour.
    """
    named = rule.format == "iso" or ZONE_IN_FORMAT.search(rule.format)
    if not named or not frame["stamp"].str.contains(ZONE_WRITTEN).any():
        return frame
    if rule.zone is None:
        time, same = pl.col("time"), _written_offset() == offset_of(rule)
    else:
        time = (pl.col("local") - _written_offset()).dt.replace_time_zone("UTC")
        clock = time.dt.convert_time_zone(rule.zone).dt.replace_time_zone(None)
        same = clock == pl.col("local")
        time = pl.coalesce(time, "time")
    zone = pl.col("stamp").str.extract(ZONE_WRITTEN)
    frame = frame.with_columns(
        pl.when(same.fill_null(True)).then(time).alias("time"),
        pl.when(~same).then(zone).alias(OTHER_ZONE),
    )
    return frame if frame[OTHER_ZONE].null_count() < frame.height else frame.drop(OTHER_ZONE)


def offset_of(rule: TimeStamp) -> timedelta:
    """Return the fixed offset of a layout's clock."""
    text = (rule.offset or "Z").replace(":", "")
    if text in ("Z", "UTC"):
        return timedelta()
    sign = -1 if text[0] == "-" else 1
    return sign * timedelta(hours=int(text[1:3]), minutes=int(text[3:5]))


def _in_zone(
    frame: pl.DataFrame, rule: TimeStamp, step: timedelta, standard: timedelta
) -> pl.DataFrame:
    if rule.zone is None:
        offset = offset_of(rule) if rule.offset else standard
        return frame.with_columns(
            (pl.col("local") - offset).dt.replace_time_zone("UTC").alias("time")
        )
    early, late = (
        pl.col("local")
        .dt.replace_time_zone(rule.zone, ambiguous=which, non_existent="null")
        .dt.convert_time_zone("UTC")
        for which in ("earliest", "latest")
    )
    frame = frame.with_columns(early=early, late=late)
    if frame.filter(pl.col("early") != pl.col("late")).is_empty():
        return frame.with_columns(time=pl.col("early")).drop("early", "late")
    return _tell_apart(frame, step).drop("early", "late")


def _tell_apart(frame: pl.DataFrame, step: timedelta) -> pl.DataFrame:
    """Decide for each stamp of a doubled hour which of the two times it is.

    Stamps that follow each other by one step (or are written twice) are a run. A run that came out of a sure time, or
    after which the clock falls back, is the first pass; one that goes on to a sure time, or begins
    where the clock fell back, is the second.
    """
    series = [c for c in ("seq", "instrument", "series", "depth", "sensor") if c in frame.columns]
    twice = pl.col("early") != pl.col("late")
    sure = ~twice.fill_null(True)
    gap = pl.col("local") - pl.col("local").shift(1)
    doubled = (pl.col("late") - pl.col("early")).max()  # how far the clock was put back
    one = series or pl.lit(0)
    marked = frame.with_columns(
        _gap=gap.over(one),
        _fell=((gap == step - doubled) | (gap < timedelta())).fill_null(False).over(one),
    )
    follows = pl.col("_gap").is_in([step, timedelta()]).fill_null(False) & ~pl.col("_fell")
    marked = marked.with_columns(
        _run=(~follows).cum_sum().over(one),
        _falls=pl.col("_fell").shift(-1, fill_value=False).over(one),
    )
    run = [*series, "_run"]
    first = sure.first().over(run) | pl.col("_falls").last().over(run)
    second = sure.last().over(run) | pl.col("_fell").first().over(run)
    again = pl.int_range(pl.len()).over(*series, "local") > 0
    both_there = pl.len().over(*series, "local") > 1
    return marked.with_columns(
        time=pl.when(~twice.fill_null(False) | (first & ~second))
        .then(pl.col("early"))
        .when((second & ~first) | (both_there & again))
        .then(pl.col("late"))
        .when(both_there)
        .then(pl.col("early"))
    ).drop("_gap", "_run", "_fell", "_falls")
