"""Sensors that are stuck or report impossible values, probes that were disturbed or plugged crosswise.

Limits are common practice, no source.
"""

from __future__ import annotations

import polars as pl

from transforms.health.methods.heard import named_depth
from transforms.health.methods.spans import WHO, checked_days, labeled, spans
from transforms.methods import calendar_day, flat_line
from transforms.methods.cold import LEAST_SNOW_CM, with_cold

BRIDGE_D = 3
STUCK_D = {"air temperature": 2, "humidity": 3, "wind": 5}
DRY_MM, WARM_C = 0.5, 1.0
MOVE_PCT, MOST_DEPTHS, SMOOTH_SHARE = 3.0, 2 / 3, 0.3
SWAP_PCT, ALIKE_PCT = 2.0, 1.0
BARE_SHARE, MOST_BARE_CM = 0.25, 10.0


def soil(soil_quality_day: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Stuck and impossible sensors of probes, by the daily quality checks."""
    findings = ("stuck", "impossible")
    soil_quality_day = soil_quality_day.select("probe", "depth_cm", "day", *findings)
    found, seen = [], []
    for finding in findings:
        bad = labeled(soil_quality_day.filter(pl.col(finding)), "probe", named_depth(), finding)
        found.append(spans(bad, BRIDGE_D))
        evaluated = soil_quality_day.filter(pl.col(finding).is_not_null())
        known = evaluated.group_by("probe", "depth_cm").agg(
            checked_from=pl.col("day").min(),
            checked_to=pl.col("day").max(),
            days=pl.len().cast(pl.Int64),
        )
        seen.append(
            labeled(known, "probe", named_depth(), finding).select(*WHO, pl.exclude(WHO, "probe"))
        )
    return pl.concat(found), pl.concat(seen)


def weather(weather_day: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Station sensors that gave one value day and night for days.

    Humidity at saturation for days is weather, a wind of nothing for five days is a cup that does
    not turn (or ice on it).
    """
    low, high = pl.col("relative_humidity_min_pct"), pl.col("relative_humidity_max_pct")
    cold, warm = pl.col("air_temp_min_c"), pl.col("air_temp_max_c")
    same = {
        "air temperature": (cold == warm, "air_temp_coverage"),
        "humidity": ((low == high) & (high < 98), "humidity_coverage"),
        "wind": (pl.col("wind_speed_mean_m_s") == 0, "wind_coverage"),
    }
    found, seen = [], []
    for part, (still, covered) in same.items():
        whole = (pl.col(covered) >= 0.9) & (pl.col("readings") > 2)
        rows = weather_day.select("station", "day", whole=whole, still=still)
        days = labeled(rows.filter("whole").drop_nulls("still"), "station", part, "stuck")
        found.append(spans(days.filter("still")).filter(pl.col("days") >= STUCK_D[part]))
        seen.append(checked_days(days, "stuck"))
    return pl.concat(found), pl.concat(seen)


def snow(weather_day: pl.DataFrame, farm: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Find snow depths that stay at one value longer than the sensor's habit; return the days checked.

    Only days with snow on the sensor count. Bare ground, which a sensor may give as some
    centimeters, stays at one value all summer: it is what most warm days lie above.
    """
    days = with_cold(weather_day.filter(pl.col("snow_depth_cm").is_not_null()), farm)
    warm = pl.col("snow_depth_cm").filter(~pl.col("cold")).quantile(BARE_SHARE, "lower")
    bare = warm.over("station").fill_null(0.0).clip(0.0, MOST_BARE_CM)
    deep = (
        labeled(days, "station", "snow depth", "stuck")
        .filter(pl.col("snow_depth_cm") >= bare + LEAST_SNOW_CM)
        .sort("station", "day")
    )
    moved = (pl.col("snow_depth_cm").diff().over("station").abs() > 1e-9).fill_null(False)
    follows = pl.col("day").diff().over("station").dt.total_days() == 1
    flat = flat_line.stuck(deep, ["station"], same=~moved & follows, alive=moved)
    return spans(deep.filter(flat).select(*WHO, "depth_cm", "day")), checked_days(deep, "stuck")


def probes(
    soil_day: pl.DataFrame, rain: pl.DataFrame, irrigation_day: pl.DataFrame
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Find probes that moved in the soil, and depths plugged crosswise.

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
        .join(_irrigated(irrigation_day), on=["field", "day"], how="anti")
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
    found = [
        spans(labeled(jumped, "probe", "whole", "probe disturbed")),
        spans(labeled(swapped, "probe", "whole", "depths exchanged")),
    ]
    seen = checked_days(
        labeled(days.drop("depth_cm"), "probe", "whole"), "probe disturbed", "depths exchanged"
    )
    return pl.concat(found), seen


def _beside(value: pl.Expr, by: int) -> pl.Expr:
    """Return the value of the same sensor so many rows before (after, if below zero)."""
    same = pl.col("_sensor") == pl.col("_sensor").shift(by)
    return pl.when(same).then(value.shift(by))


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
