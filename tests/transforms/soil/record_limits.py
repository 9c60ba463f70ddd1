"""The record of one layer, and its limits as the tables one after the other make them."""

from __future__ import annotations

from datetime import date

import numpy as np
import polars as pl

from tests.transforms.frames import days, rows
from tests.transforms.ground import Array
from transforms.soil import soil_limit, soil_month, soil_wetting

FIRST = date(2024, 4, 1)
LAYER = {"probe": "p", "depth_cm": 30.0, "field": "f", "strip": "check"}


def usable(theta: Array, first: date = FIRST) -> tuple[pl.DataFrame, pl.DataFrame]:
    """``soil_day`` and ``soil_quality_day`` of one layer, in %; not usable where NaN."""
    there = ~np.isnan(theta)
    on = days(first.isoformat(), len(theta))
    water = [
        {"day": day, "vwc_mean_pct": float(value)}
        for day, value, known in zip(on, theta, there, strict=True)
        if known
    ]
    quality = [
        {"day": day, "usable": bool(known), "offset_pct": 0.0}
        for day, known in zip(on, there, strict=True)
    ]
    return rows("soil_day", water, **LAYER), rows("soil_quality_day", quality, **LAYER)


def limits(soil_day: pl.DataFrame, quality: pl.DataFrame, sensor: pl.DataFrame) -> pl.DataFrame:
    """``soil_limit`` of probes' days and their quality."""
    return soil_limit.derive(
        soil_month.derive(soil_day, quality), soil_wetting.derive(soil_day, quality), sensor
    )
