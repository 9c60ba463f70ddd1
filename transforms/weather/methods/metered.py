"""Days of water meters as depths of water on strips: what is known, and what is in a later total."""

from datetime import date

import polars as pl

from transforms.methods import calendar_day
from transforms.methods.comparisons import each_strip
from transforms.methods.strips import WHOLE
from transforms.methods.texts import joined

MM_PER_M3_HA = 0.1  # depth of 1 m3 on one hectare
# More than is put on in a day: common practice, no source.
MOST_MM_D = 300.0
_STRIP = ["field", "strip"]
_KEY = [*_STRIP, "day"]
_METER = ["station", "day"]


def by_strip(
    water_meter_day: pl.DataFrame,
    station_spell: pl.DataFrame,
    last: object,
    comparison: pl.DataFrame,
) -> pl.DataFrame:
    """One row a strip and day on which a meter stood, up to the farm's ``last`` day of weather.

    Columns: field, strip, day, ``meter_mm`` (what was recorded, with what is moved here from the days
    of a gap), ``meter_known``, ``later`` (in a later day's total), ``meter_since_day``,
    ``meter_coverage``, ``meters`` (their names), ``meter_reason``.
    """
    days = _with_depth(_grid(water_meter_day, station_spell, last))
    whole = pl.col("strip") == "both"
    of_both = each_strip(days.filter(whole).drop("strip"), comparison)
    rows = pl.concat([days.filter(~whole), of_both.select(days.columns)])
    strips = rows.group_by(_KEY).agg(
        meter_mm=pl.col("depth_mm").sum(),
        unknown=(~pl.col("known") & ~pl.col("later")).any(),
        gap=pl.col("later").any(),
        meter_since_day=pl.col("volume_since_day").min(),
        meter_coverage=pl.col("volume_coverage").min(),
        meters=pl.col("station").unique().sort().str.join(", "),
        meter_reason=pl.col("why").drop_nulls().unique().sort().str.join("; ").replace("", None),
    )
    return _moved(strips)


def _grid(water_meter_day: pl.DataFrame, station_spell: pl.DataFrame, last: object) -> pl.DataFrame:
    """Every day on which a meter stood at a field, with its row if it has one.

    A meter is a station with an irrigated area or with readings of one, from its first reading on.
    """
    first = water_meter_day.group_by("station").agg(
        first=pl.col("day").min(), latest=pl.col("day").max()
    )
    newest = max(
        (d for d in (last, water_meter_day["day"].max()) if isinstance(d, date)), default=None
    )
    spells = (
        station_spell.filter(pl.col("field").is_not_null())
        .join(first, on="station", how="left")
        .filter(pl.col("irrigated_area_ha").is_not_null() | pl.col("first").is_not_null())
    )
    days = calendar_day.each_day(
        spells.select(
            "station",
            "field",
            "irrigated_area_ha",
            strip=pl.col("strip").fill_null("both"),
            begin=pl.max_horizontal("from_day", "first"),
            end=pl.min_horizontal("to_day", pl.lit(newest, pl.Date)),
        ),
        "begin",
        "end",
    )
    found = water_meter_day.drop("field", "strip", "irrigated_area_ha")
    return days.join(found, on=_METER, how="left").join(_bridged(found), on=_METER, how="left")


def _bridged(days: pl.DataFrame) -> pl.DataFrame:
    """Days that a later total of the same meter is of as well."""
    return (
        calendar_day.each_day(
            days.filter(pl.col("volume_since_day") < pl.col("day")).select(
                "station", "volume_since_day", ended="day"
            ),
            "volume_since_day",
            pl.col("ended").dt.offset_by("-1d"),
        )
        .select(*_METER, bridged=True)
        .unique()
    )


def _with_depth(days: pl.DataFrame) -> pl.DataFrame:
    """Add the depth recorded, whether it is the day's, and why not."""
    area = pl.col("irrigated_area_ha")
    depth = pl.col("volume_m3") * MM_PER_M3_HA / area
    recorded = pl.col("volume_coverage").fill_null(0.0)
    length_d = (pl.col("day") - pl.col("volume_since_day")).dt.total_days() + 1
    too_much = (depth > MOST_MM_D * length_d).fill_null(False)
    whole = (recorded >= WHOLE) & pl.col("volume_m3").is_not_null()
    later = pl.col("bridged").fill_null(False) & ~whole & area.is_not_null()
    share = (100 * recorded).floor().cast(pl.Int64)
    silent = pl.col("volume_m3").is_null()
    return days.with_columns(
        depth_mm=pl.when(~too_much).then(depth).fill_null(0.0),
        known=whole & area.is_not_null() & ~too_much,
        later=later,
        volume_coverage=recorded,
        why=joined(
            pl.when(area.is_null()).then(
                pl.format("no irrigated area of the water meter {} is given", "station")
            ),
            pl.when(silent & pl.col("reason").is_null()).then(
                pl.format("the water meter {} was silent", "station")
            ),
            pl.when(~silent & ~whole).then(
                pl.format("the water meter {} recorded {} % of the day", "station", share)
            ),
            pl.when(too_much).then(
                pl.format(
                    "the water meter {} gives {} mm: check its unit and the irrigated area",
                    "station",
                    depth.round(0).cast(pl.Int64),
                )
            ),
            "reason",
        ),
    )


def _moved(strips: pl.DataFrame) -> pl.DataFrame:
    """Move what was recorded on the days of a gap to the day whose total is of them.

    If that day is not known neither are those; if nothing passed, all of them had none.
    """
    rows = strips.sort(_KEY).with_columns(later=pl.col("gap") & ~pl.col("unknown"))
    ends = ~pl.col("later")
    rows = rows.with_columns(
        run=ends.shift(1).fill_null(True).cum_sum().over(_STRIP, order_by="day")
    )
    run = [*_STRIP, "run"]
    closed = (pl.col("later").last() | pl.col("unknown").any()).not_()
    total = pl.col("meter_mm").sum()
    rows = rows.with_columns(
        closed=closed.over(run, order_by="day"),
        total_mm=total.over(run),
        since=pl.col("meter_since_day").min().over(run),
    )
    none = pl.col("closed") & (pl.col("total_mm") == 0)
    later = pl.col("later") & pl.col("closed") & ~none
    known = pl.col("closed") & ~later
    return rows.select(
        *_KEY,
        "meter_coverage",
        "meters",
        meter_mm=pl.when(none).then(0.0).when(ends).then("total_mm").otherwise("meter_mm"),
        meter_known=known,
        later=later,
        meter_since_day=pl.when(none).then("day").otherwise(pl.col("since")),
        meter_reason=pl.coalesce(
            "meter_reason", pl.lit("the total that it would be in is not known")
        ),
    )
