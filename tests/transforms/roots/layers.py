"""Layers of two strips and the evaporation from them, for the tests of uptake."""

from __future__ import annotations

from typing import Any

import numpy as np
import polars as pl

from schemas import generated
from schemas.catalogue import TABLES
from tests.transforms.frames import days, rows
from tests.transforms.ground import FIRST, Array

N = 60


def water(vwc: dict[tuple[str, float], Array], full: float = 40.0) -> pl.DataFrame:
    """soil_water_day of layers of 20 cm below one another, NaN where the sensor gave nothing."""
    items: list[dict[str, Any]] = []
    for (strip, depth), series in vwc.items():
        for day, v in zip(days(FIRST, len(series)), series, strict=True):
            none = bool(np.isnan(v))
            items.append(
                {
                    "probe": strip,
                    "strip": strip,
                    "depth_cm": depth,
                    "day": day,
                    "layer_top_cm": depth - 10,
                    "layer_bottom_cm": depth + 10,
                    "vwc_pct": None if none else float(v),
                    "storage_mm": None if none else float(v) * 2,
                    "quality": "missing" if none else "good",
                    "partial": none,
                    "reason": "the soil is frozen" if none else None,
                }
            )
    return rows("soil_water_day", items, field="f", drained_upper_limit_pct=full, coverage=1.0)


def evaporation(mm: Array | None) -> pl.DataFrame:
    """evaporation_day of the field, as its other strip's station has it."""
    if mm is None:
        return generated.empty(TABLES["evaporation_day"])
    return rows(
        "evaporation_day",
        [
            {"station": "s", "field": "f", "strip": "treated", "day": d, "layer_evaporation_mm": v}
            for d, v in zip(days(FIRST, len(mm)), mm.tolist(), strict=True)
        ],
    )


def falling(rate: float, start: float = 36.0, n: int = N) -> Array:
    return np.asarray(start - rate * np.arange(n))
