"""Leave out what the field book says must not be used (its sheet ``do not use``), in every daily table.

Readings stay as they landed, so that a row taken off the sheet brings them back. The running total
of a rain counter or a water meter is left in them: the rain of a good day is a difference to the reading before it,
which may be of a bad one. The rain of a bad day is taken out after the counter was read.
"""

import polars as pl

from schemas.quantities import BY_NAME, COUNTED, Instrument
from schemas.quantity_groups import columns_of
from transforms.methods import calendar_day

# A sheet's depth is that of the nearest sensor within this distance, as in a logger's file.
_NEAR_CM = 1.0
_COUNTERS = tuple(BY_NAME[name].column.name for names in COUNTED.values() for name in names)
_WHY = "not used: "


def readings_used(
    readings: pl.DataFrame, do_not_use: pl.DataFrame, farm: pl.DataFrame
) -> pl.DataFrame:
    """Return the readings with null for every value that must not be used."""
    kind = _kind(readings)
    rows = _of(do_not_use, kind)
    if rows.is_empty() or readings.is_empty():
        return readings
    groups = columns_of(Instrument(kind))
    sensor = [name for name in (kind, "depth_cm") if name in readings.columns]
    dated = readings.with_columns(calendar_day.day_of(pl.col("time"), farm).alias("day"))
    marks = (
        _spans_over(dated.select(*sensor, "day").unique(), rows, kind)
        .group_by(*sensor, "day")
        .agg(_concerns(words).any().alias(f"not used {words}") for words in groups)
    )
    kept = [
        pl.when(~pl.col(f"not used {words}").fill_null(False)).then(column).alias(column)
        for words, columns in groups.items()
        for column in columns
        if column not in _COUNTERS
    ]
    joined = dated.join(marks, on=[*sensor, "day"], how="left", maintain_order="left")
    return joined.with_columns(kept).select(readings.columns)


def days_marked(days: pl.DataFrame, do_not_use: pl.DataFrame) -> pl.DataFrame:
    """Return daily rows with what must not be used taken out of rain, marked partial, with the reason.

    ``days`` are rows of a daily table of ``readings_used``. Spells of rain of a day that must not be
    used are left out; so is a total that reaches back into such a day.
    """
    kind = _kind(days)
    rows = _of(do_not_use, kind)
    if rows.is_empty() or days.is_empty():
        return days
    key = [name for name in (kind, "depth_cm", "day") if name in days.columns]
    backs = [name for name in ("rain_since_day", "volume_since_day") if name in days.columns]
    since = pl.coalesce(*backs, "day") if backs else pl.col("day")
    spans = days.select(*key, since=since).unique()
    found = _spans_over(spans, rows, kind)
    why = (
        found.sort("from_day", "why")
        .group_by(key)
        .agg(
            not_used=pl.lit(_WHY) + pl.col("why").unique(maintain_order=True).str.join(", "),
            rain_not_used=_concerns("rain").any(),
            volume_not_used=_concerns("water meter").any(),
            today=(pl.col("day") <= pl.col("to_day")).any(),
        )
    )
    marked = days.join(why, on=key, how="left", maintain_order="left")
    rain = pl.col("rain_not_used").fill_null(False)
    if {"began", "rain_mm"} <= set(days.columns):
        return marked.filter(~rain).select(days.columns)
    volume = pl.col("volume_not_used").fill_null(False)
    concerned = volume if "volume_m3" in days.columns else pl.col("today") | rain
    said = pl.when(concerned).then("not_used")
    reason = pl.concat_str("reason", said, separator="; ", ignore_nulls=True).replace("", None)
    changed = {
        "rain_mm": pl.when(~rain).then("rain_mm"),
        "rain_since_day": pl.when(~rain).then("rain_since_day"),
        "rain_impossible_mm": pl.when(~rain).then("rain_impossible_mm"),
        "rain_coverage": pl.when(rain).then(0.0).otherwise("rain_coverage"),
        "rain_reason": pl.when(rain).then("not_used").otherwise("rain_reason"),
        "volume_m3": pl.when(~volume).then("volume_m3"),
        "volume_since_day": pl.when(~volume).then("volume_since_day"),
        "volume_coverage": pl.when(volume).then(0.0).otherwise("volume_coverage"),
        "partial": pl.col("partial") | said.is_not_null(),
        "reason": reason,
    }
    marked = marked.with_columns(
        expr.alias(name) for name, expr in changed.items() if name in days.columns
    )
    return marked.select(days.columns)


def _kind(rows: pl.DataFrame) -> str:
    return "station" if "station" in rows.columns else "probe"


def _of(do_not_use: pl.DataFrame, kind: str) -> pl.DataFrame:
    """Return the sheet's rows of stations or of probes, the instrument under that name."""
    rows = do_not_use.filter(pl.col("kind") == kind)
    return rows.select(
        pl.col("instrument").alias(kind),
        "from_day",
        pl.col("to_day").fill_null(calendar_day.OPEN_END),
        "quantity",
        "why",
        not_used_cm="depth_cm",
    )


def _spans_over(days: pl.DataFrame, rows: pl.DataFrame, kind: str) -> pl.DataFrame:
    """Return days with each row of the sheet that is about them (about their total, with ``since``)."""
    since = "since" if "since" in days.columns else "day"
    about = (pl.col("day") >= pl.col("from_day")) & (pl.col(since) <= pl.col("to_day"))
    if "depth_cm" in days.columns:
        away = (pl.col("depth_cm") - pl.col("not_used_cm")).abs()
        about &= (away <= _NEAR_CM).fill_null(True)
    return days.join(rows, on=kind).filter(about)


def _concerns(words: str) -> pl.Expr:
    return pl.col("quantity").is_null() | (pl.col("quantity") == words)
