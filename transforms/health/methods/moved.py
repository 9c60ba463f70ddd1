"""Days on which a probe moved in the soil, or two of its depths were plugged crosswise.

Limits are common practice, no source.
"""

from __future__ import annotations

import polars as pl

from schemas.tables.health.sensor_run import DISTURBED, EXCHANGED, LOOKED_FOR
from transforms.methods import calendar_day

DRY_MM, WARM_C = 0.5, 1.0
MOVE_PCT, MOST_DEPTHS, SMOOTH_SHARE = 3.0, 2 / 3, 0.3
SWAP_PCT, ALIKE_PCT = 2.0, 1.0
NEAR_D = 7  # days to the next row up to which it says how the soil moves


def probes(
    soil_day: pl.DataFrame, rain: pl.DataFrame, irrigation_day: pl.DataFrame
) -> dict[str, pl.DataFrame]:
    """Return probe, depth_cm and day, sorted, by the name of what is so in ``sensor_run``.

    All is of a probe: its depth is the upper one of those looked at, or of the two exchanged.

    ``rain``: field, day and the most that any station near the field caught (``near.wettest``), so
    that a blocked gauge beside the probe does not make a rain look like a move. Days of an irrigation in
    the field, the two after it, and days on which nobody knows of one, are not looked at.

    ``soil_day`` is sorted by its key.

    Moved: most sensors jump at once in dry warm weather; a jump to the wetter side counts only if
    some gauge near the field has caught rain within a month, so that they are known to catch.
    Crosswise: two depths take each other's values from one day to the next; they were plugged so
    until then, or are since.
    """
    water = pl.col("vwc_mean_pct")
    days = (
        soil_day.select("probe", "depth_cm", "field", "day", "vwc_mean_pct", "soil_temp_min_c")
        .with_columns(_sensor=pl.struct("probe", "depth_cm").rle_id())
        .with_columns(before=_beside(water, 1), last=_beside(pl.col("day"), 1))
        .with_columns(move=water - pl.col("before"))
        .with_columns(jump=_jump())
        .filter(
            ((pl.col("day") - pl.col("last")).dt.total_days() <= 2)
            & (pl.col("soil_temp_min_c").fill_null(99.0) > WARM_C)
            & pl.col("before").is_not_null()
            & water.is_not_null()
        )
        .join(_recent_rain(rain), on=["field", "day"], how="left", maintain_order="left")
        .filter(pl.col("rain_three_days_mm").fill_null(99.0) < DRY_MM)
        .join(_irrigated(irrigation_day), on=["field", "day"], how="anti", maintain_order="left")
    )
    swapped = _swapped(days)
    catches = pl.col("rain_month_mm").first() >= DRY_MM
    jumped = (
        days.group_by("probe", "day")
        .agg(
            n=pl.len(),
            fell=(pl.col("jump") & (pl.col("move") < 0)).mean(),
            moved=pl.col("jump").mean(),
            catches=catches,
        )
        .filter(
            (pl.col("n") >= 3)
            & (pl.col("moved") >= MOST_DEPTHS)
            & (pl.col("catches") | (pl.col("fell") >= MOST_DEPTHS))
        )
        .join(swapped, on=["probe", "day"], how="anti")
    )
    sensor = ["probe", "depth_cm", "day"]
    # Rain parts what was looked at into many runs: they are told once a probe.
    looked_at = days.group_by("probe", "day").agg(pl.col("depth_cm").min())
    found = {
        LOOKED_FOR[DISTURBED]: looked_at,
        DISTURBED: looked_at.join(jumped, on=["probe", "day"], how="semi"),
        EXCHANGED: swapped,
    }
    return {what: rows.select(sensor).sort(sensor) for what, rows in found.items()}


def _beside(value: pl.Expr, by: int) -> pl.Expr:
    """Return the value of the same sensor so many rows before (after, if below zero), if it is near."""
    apart = (pl.col("day") - pl.col("day").shift(by)).dt.total_days().abs()
    same = pl.col("_sensor") == pl.col("_sensor").shift(by)
    return pl.when(same & (apart <= NEAR_D * abs(by))).then(value.shift(by))


def _jump() -> pl.Expr:
    """Whether a day's move stands alone: not one of a soil that drains or dries fast for days.

    It differs from the moves two days before and after (a move at noon is half in each of two daily
    means), and has not neighbors of its own direction on both sides.
    """
    move = pl.col("move")
    apart = [(move - _beside(move, by)).abs() >= MOVE_PCT for by in (2, -2)]
    smooth = pl.all_horizontal(_beside(move, by) / move >= SMOOTH_SHARE for by in (1, -1))
    return (
        (move.abs() >= MOVE_PCT)
        & pl.all_horizontal(far.fill_null(True) for far in apart)
        & ~smooth.fill_null(False)
    ).fill_null(False)


def _recent_rain(rain: pl.DataFrame) -> pl.DataFrame:
    """Most rain near each field on the day and the two before it, and within the month up to it.

    Null for a day on which no gauge near the field recorded.
    """
    by_day = rain.sort("field", "day")

    def most(window: str) -> pl.Expr:
        return pl.col("rain_mm").rolling_max_by("day", window_size=window).over("field")

    return by_day.select("field", "day", rain_three_days_mm=most("3d"), rain_month_mm=most("31d"))


def _irrigated(irrigation_day: pl.DataFrame) -> pl.DataFrame:
    """Field and day of all that an irrigation, or one that nobody knows of, may have wetted."""
    put_on = (pl.col("irrigation_mm") > 0).fill_null(True)
    return (
        calendar_day.each_day(
            irrigation_day.filter(put_on).select("field", since="day").unique(),
            "since",
            pl.col("since").dt.offset_by("2d"),
        )
        .select("field", "day")
        .unique()
    )


def _swapped(days: pl.DataFrame) -> pl.DataFrame:
    """Days on which just two depths moved, each to about where the other had been."""
    moved = days.filter(pl.col("move").abs() >= SWAP_PCT).with_columns(
        n=pl.len().over("probe", "day")
    )
    two = moved.filter(pl.col("n") == 2)
    a, b = (
        two.sort("depth_cm").unique(["probe", "day"], keep="first"),
        two.sort("depth_cm").unique(["probe", "day"], keep="last"),
    )
    both = a.join(b, on=["probe", "day"], suffix="_b")
    return both.filter(
        ((pl.col("vwc_mean_pct") - pl.col("before_b")).abs() <= ALIKE_PCT)
        & ((pl.col("vwc_mean_pct_b") - pl.col("before")).abs() <= ALIKE_PCT)
    ).select("probe", "day", "depth_cm")
