"""Exports in other shapes than a column a sensor: a row a sensor, several stations, a depth column."""

from __future__ import annotations

from typing import Any

import numpy as np
import polars as pl

SHARE = 0.12  # of all exports, each shape
SERIES = (("sensor", "value"), ("Channel", "Reading"), ("parameter", "result"))
INSTRUMENTS = (
    ("Station", ("North 1", "South 2")),
    ("device id", ("0117", "0231", "0502")),
    ("Logger", ("L-1", "L-2")),
)
DEPTHS = ("Depth cm", "depth (cm)", "Depth [in]")
Below = tuple[list[str], ...]


def reshape(
    layout: dict[str, Any], frame: pl.DataFrame, below: Below, rng: np.random.Generator
) -> tuple[pl.DataFrame, Below]:
    """The layout (changed in place) and the truth in one of the shapes, or as they are."""
    drawn = rng.random()
    if drawn < SHARE:
        layout |= {"shape": "long"}
        layout["series_column"], layout["value_column"] = SERIES[rng.integers(len(SERIES))]
        layout.pop("after_header", None)
        return frame, ()
    if drawn < 2 * SHARE:
        return _stations(layout, frame, below, rng)
    depths = {c["depth_cm"] for c in layout["columns"].values() if "depth_cm" in c}
    if drawn < 3 * SHARE and depths:
        return _by_depth(layout, frame, sorted(depths), rng), ()
    return frame, below


def _stations(
    layout: dict[str, Any], frame: pl.DataFrame, below: Below, rng: np.random.Generator
) -> tuple[pl.DataFrame, Below]:
    """Several stations' rows, one time after the other or one station after the other."""
    heading, names = INSTRUMENTS[rng.integers(len(INSTRUMENTS))]
    layout["instrument_column"] = heading
    own = []
    for k, name in enumerate(names):
        kept = rng.random(frame.height) > 0.02
        own.append(frame.filter(pl.Series(kept)).with_columns(pl.lit(name).alias(heading), k=k))
    whole = pl.concat(own)
    if rng.random() < 0.5:
        whole = whole.sort("time", "k")
    n = len(layout["time"]["columns"])
    return whole.drop("k"), tuple([*row[:n], "", *row[n:]] for row in below)


def _by_depth(
    layout: dict[str, Any], frame: pl.DataFrame, depths: list[float], rng: np.random.Generator
) -> pl.DataFrame:
    """A probe's export: a row a depth, a column a quantity."""
    heading = DEPTHS[rng.integers(len(DEPTHS))]
    columns = layout["columns"]
    of = {(c["quantity"], c["depth_cm"]): name for name, c in columns.items() if "depth_cm" in c}
    shown = {"vwc": "Soil Moisture", "soil_temp": "Soil Temp"}
    units = {q: columns[of[q, depths[0]]]["unit"] for q in shown}
    names = {q: f"{title} ({_said(units[q])})" for q, title in shown.items()}
    parts = [
        frame.select(
            "time",
            *(pl.col(of[q, depth]).alias(names[q]) for q in shown),
            pl.lit(f"{depth / 2.54:.2f}" if "in" in heading else f"{depth:g}").alias(heading),
        )
        for depth in depths
    ]
    layout |= {"shape": "long", "depth_column": heading}
    layout |= {"depth_unit": "inch"} if "in" in heading else {}
    layout.pop("after_header", None)
    layout["columns"] = {names[q]: {"quantity": q, "unit": units[q]} for q in shown}
    return pl.concat(parts).sort("time", maintain_order=True)


def _said(unit: str) -> str:
    return {"percent": "%", "m^3/m^3": "m3/m3"}.get(unit, unit)


def description(layout: dict[str, Any]) -> str:
    """The shape in a word."""
    if "instrument_column" in layout:
        return "several stations"
    if "series_column" in layout:
        return "a row a sensor"
    return "a row a depth" if "depth_column" in layout else "a column a sensor"
