"""Sensors that stand still or give the impossible, probes that were disturbed or plugged crosswise.

Limits are common practice, no source.
"""

from __future__ import annotations

import polars as pl

from transforms.health.methods.spans import labelled, looked, spans
from transforms.methods.strip_rain import strip_rain

BRIDGE_D = 3
STUCK_D = {"air temperature": 2, "humidity": 3, "wind": 5}
DRY_MM, WARM_C = 0.5, 1.0
MOVE_PCT, MOST_DEPTHS = 3.0, 2 / 3
SWAP_PCT, ALIKE_PCT = 2.0, 1.0


def named_depth() -> pl.Expr:
    """A sensor as a part of its probe: '30 cm'."""
    return pl.col("depth_cm").round(1).cast(pl.String).str.strip_suffix(".0") + " cm"


def soil(soil_quality_day: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Stuck and impossible sensors of probes, by the daily quality checks."""
    days = labelled(soil_quality_day, "probe", named_depth())
    found, seen = [], []
    for finding in ("stuck", "impossible"):
        evaluated = days.filter(pl.col(finding).is_not_null())
        bad = evaluated.filter(pl.col(finding)).with_columns(finding=pl.lit(finding))
        found.append(spans(bad, BRIDGE_D))
        seen.append(looked(evaluated, finding))
    return pl.concat(found), pl.concat(seen)


def weather(weather_day: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Station sensors that gave one value day and night for days.

    Humidity at saturation for days is weather, a wind of nothing for five days is a cup that does
    not turn (or ice on it).
    """
    same = {
        "air temperature": (pl.col("air_temp_min_c") == pl.col("air_temp_max_c"), "air_temp_coverage"),
        "humidity": (
            (pl.col("relative_humidity_min_pct") == pl.col("relative_humidity_max_pct"))
            & (pl.col("relative_humidity_max_pct") < 98),
            "humidity_coverage",
        ),
        "wind": (pl.col("wind_speed_mean_m_s") == 0, "wind_coverage"),
    }  # fmt: skip
    found, seen = [], []
    for part, (still, covered) in same.items():
        days = labelled(weather_day, "station", part, "stuck").filter(
            (pl.col(covered) >= 0.9) & still.is_not_null() & (pl.col("readings") > 2)
        )
        found.append(spans(days.filter(still)).filter(pl.col("days") >= STUCK_D[part]))
        seen.append(looked(days, "stuck"))
    return pl.concat(found), pl.concat(seen)


def probes(soil_day: pl.DataFrame, weather_day: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Probes moved in the soil (most sensors jump at once in dry warm weather), and two depths
    that take each other's values from one day to the next: they were plugged crosswise until
    then, or are since."""
    sensor = ["probe", "depth_cm"]
    days = (
        soil_day.join(strip_rain(weather_day), on=["field", "strip", "day"], how="left")
        .sort(*sensor, "day")
        .with_columns(before=pl.col("vwc_mean_pct").shift(1).over(sensor), last=pl.col("day").shift(1).over(sensor), rained=pl.col("rain_mm").shift(1).over(sensor))
        .filter(
            ((pl.col("day") - pl.col("last")).dt.total_days() <= 2)
            & (pl.max_horizontal(pl.col("rain_mm").fill_null(99.0), pl.col("rained").fill_null(99.0)) < DRY_MM)
            & (pl.col("soil_temp_min_c").fill_null(99.0) > WARM_C)
            & pl.col("before").is_not_null() & pl.col("vwc_mean_pct").is_not_null()
        )
        .with_columns(move=pl.col("vwc_mean_pct") - pl.col("before"))
    )  # fmt: skip
    swapped = _swapped(days)
    jumped = (
        days.group_by("probe", "day")
        .agg(n=pl.len(), moved=(pl.col("move").abs() >= MOVE_PCT).mean())
        .filter((pl.col("n") >= 3) & (pl.col("moved") >= MOST_DEPTHS))
        .join(swapped, on=["probe", "day"], how="anti")
    )
    found = [
        spans(labelled(jumped, "probe", "whole", "probe disturbed")),
        spans(labelled(swapped, "probe", "whole", "depths exchanged")),
    ]
    seen = looked(
        labelled(days.drop("depth_cm"), "probe", "whole"), "probe disturbed", "depths exchanged"
    )
    return pl.concat(found), seen


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
