"""Small soil records with known water, for the tests of balances."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Any

import polars as pl

from tests.transforms import frames

THICKNESS_CM = {10.0: (0.0, 20.0), 30.0: (20.0, 40.0), 60.0: (40.0, 80.0)}


def records(
    water: Mapping[tuple[str, float], Mapping[date, tuple[float, float] | None]],
    *,
    readings: int = 24,
    full_pct: float | None = 38.0,
    drained_upper_limit_from: str = "record",
    field: str = "f",
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """``soil_water_day`` and ``soil_day`` from (strip, depth) → day → (mean, last) water in percent."""
    layer_rows: list[dict[str, Any]] = []
    day_rows: list[dict[str, Any]] = []
    for (strip, depth), by_day in water.items():
        top, bottom = THICKNESS_CM[depth]
        for day, values in by_day.items():
            mean, last = values or (None, None)
            place = {"probe": strip, "depth_cm": depth, "day": day, "field": field, "strip": strip}
            layer_rows.append(
                {
                    **place,
                    "layer_top_cm": top,
                    "layer_bottom_cm": bottom,
                    "vwc_pct": mean,
                    "storage_mm": None if mean is None else mean / 10 * (bottom - top),
                    "drained_upper_limit_pct": full_pct,
                    "drained_upper_limit_from": None
                    if full_pct is None
                    else drained_upper_limit_from,
                    "lower_limit_pct": 15.0,
                    "available_water_share": None
                    if mean is None or full_pct is None
                    else (mean - 15.0) / (full_pct - 15.0),
                }
            )
            day_rows.append(
                {
                    **place,
                    "vwc_mean_pct": mean,
                    "vwc_last_pct": last,
                    "vwc_coverage": 1.0,
                    "readings": readings,
                }
            )
    return frames.rows("soil_water_day", layer_rows), frames.rows("soil_day", day_rows)
