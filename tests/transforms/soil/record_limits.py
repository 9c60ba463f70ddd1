"""The record of one layer, and offset and limits as the tables one after the other make them."""

from __future__ import annotations

from datetime import date

import numpy as np
import polars as pl

from tests.transforms.frames import days, rows
from tests.transforms.ground import Array
from transforms.soil import soil_limit, soil_month, soil_offset, soil_step, soil_wetting

FIRST = date(2024, 4, 1)
NO_OFFSET = rows("soil_offset", [])
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
    quality = [{"day": day, "usable": bool(known)} for day, known in zip(on, there, strict=True)]
    return rows("soil_day", water, **LAYER), rows("soil_quality_day", quality, **LAYER)


def offsets(quality: pl.DataFrame, probe_spell: pl.DataFrame) -> pl.DataFrame:
    """``soil_offset`` of probes' days by their quality."""
    return soil_offset.derive(soil_step.derive(quality), probe_spell)


def limits(
    soil_day: pl.DataFrame, quality: pl.DataFrame, offset: pl.DataFrame, sensor: pl.DataFrame
) -> pl.DataFrame:
    """``soil_limit`` of probes' days and their quality."""
    record = (soil_day, quality, offset)
    return soil_limit.derive(soil_month.derive(*record), soil_wetting.derive(*record), sensor)
