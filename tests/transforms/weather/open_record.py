"""A long daily record that anybody can read, for the tests of normals."""

from __future__ import annotations

from datetime import date
from functools import cache
from importlib.util import find_spec
from pathlib import Path

import polars as pl

from tests.transforms import frames


@cache
def open_record() -> pl.DataFrame:
    """Daily weather of Champion, Nebraska, 1982-2018: open data in the package aquacrop 3.1.0."""
    spec = find_spec("aquacrop")
    assert spec is not None and spec.origin is not None, "the test extra aquacrop is not installed"
    text = (Path(spec.origin).parent / "data" / "champion_climate.txt").read_text("utf-8")
    rows = [line.split() for line in text.splitlines()[1:] if line.strip()]
    return frames.rows(
        "weather_day",
        [
            {
                "station": "long",
                "day": (day := date(int(y), int(m), int(d))),
                "rain_mm": float(rain),
                "rain_coverage": 1.0,
                "rain_since_day": day,
                "air_temp_min_c": float(low),
                "air_temp_max_c": float(high),
                "air_temp_mean_c": (float(low) + float(high)) / 2,
                "air_temp_coverage": 1.0,
            }
            for d, m, y, low, high, rain, _ in rows
        ],
    )
