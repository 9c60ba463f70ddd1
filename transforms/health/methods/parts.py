"""The parts of an instrument as health names them, and the words that the field book has for them."""

from __future__ import annotations

import polars as pl

from schemas.quantities import Instrument
from schemas.quantity_groups import columns_of
from transforms.health.methods.heard import TEMPERATURE, named_depth
from transforms.methods.texts import depth_text

# Parts that the field book calls otherwise.
_OTHERWISE = {"rain": ("rain gauge", "rain counter")}
_SOIL = {"soil moisture": "", "soil temperature": TEMPERATURE}


def of_station(words: str) -> tuple[str, ...]:
    """Return the parts of a station behind the words for a quantity."""
    return _OTHERWISE.get(words, (words,))


def words_of(part: pl.Expr) -> pl.Expr:
    """Return the words of the quantity that a part measures; null for what is of the whole."""
    of_stations = {p: words for words in columns_of(Instrument.STATION) for p in of_station(words)}
    return (
        pl.when(part.str.ends_with(" cm"))
        .then(pl.lit("soil moisture"))
        .when(part.str.ends_with(" cm" + TEMPERATURE))
        .then(pl.lit("soil temperature"))
        .otherwise(part.replace_strict(of_stations, default=None, return_dtype=pl.String))
    )


def of_column(column: pl.Expr) -> pl.Expr:
    """Return the part behind a column of readings, a sensor's by ``depth_cm``; null where none is."""
    stations = {
        name: of_station(words)[0]
        for words, names in columns_of(Instrument.STATION).items()
        for name in names
    }
    endings = {
        name: _SOIL[words]
        for words, names in columns_of(Instrument.PROBE).items()
        for name in names
        if words in _SOIL
    }
    ending = column.replace_strict(endings, default=None, return_dtype=pl.String)
    return (
        pl.when(pl.col("depth_cm") < 0)
        .then(column.replace_strict(stations, default=None, return_dtype=pl.String))
        .otherwise(named_depth() + ending)
    )


def named(kind: str, words: str | None, depth_cm: float | None) -> str:
    """Return the part that a row of the field book is about."""
    if kind == "station" or depth_cm is None:
        return "whole" if words is None else of_station(words)[0]
    depth = pl.select(depth_text(pl.lit(depth_cm))).item()
    return f"{depth} cm{_SOIL.get(words or '', '')}"
