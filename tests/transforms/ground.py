"""A made-up probe record by day, for the tests below ground."""

from __future__ import annotations

from datetime import date

import numpy as np
import polars as pl
from numpy.typing import NDArray

from tests.transforms.frames import days, rows

Array = NDArray[np.float64]
FIRST = "2024-04-01"


def record(
    values: dict[tuple[str, float], Array], *, temp_c: float | None = 12.0, first: str = FIRST
) -> pl.DataFrame:
    """soil_day of sensors by (strip, depth): a daily mean each, NaN where the day is missing."""
    items = []
    for (strip, depth), series in values.items():
        for day, value in zip(days(first, len(series)), series, strict=True):
            if np.isnan(value):
                continue
            items.append(
                {
                    "probe": strip,
                    "depth_cm": depth,
                    "day": day,
                    "field": "f",
                    "strip": strip,
                    "vwc_mean_pct": float(value),
                    "vwc_min_pct": float(value) - 0.05,
                    "vwc_max_pct": float(value) + 0.05,
                    "vwc_last_pct": float(value),
                    "vwc_coverage": 1.0,
                    "soil_temp_min_c": temp_c,
                    "soil_temp_mean_c": temp_c,
                }
            )
    return rows("soil_day", items)


def spells(*strips: str, from_day: str = "2024-01-01") -> pl.DataFrame:
    return rows(
        "probe_spell",
        [
            {"probe": s, "from_day": date.fromisoformat(from_day), "field": "f", "strip": s}
            for s in strips
        ],
    )


def sensors(strips: tuple[str, ...], depths: tuple[float, ...], **given: float) -> pl.DataFrame:
    return rows("sensor", [{"probe": s, "depth_cm": d, **given} for s in strips for d in depths])


def rain(amounts: Array, first: str = FIRST) -> pl.DataFrame:
    """weather_used_day of one station of the check strip; NaN where the gauge did not record."""
    return rows(
        "weather_used_day",
        [
            {
                "station": "s",
                "day": day,
                "field": "f",
                "strip": "check",
                "rain_mm": None if np.isnan(amount) else float(amount),
                "rain_coverage": 0.0 if np.isnan(amount) else 1.0,
                "air_temp_mean_c": 15.0,
            }
            for day, amount in zip(days(first, len(amounts)), amounts, strict=True)
        ],
    )
