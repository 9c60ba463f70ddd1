"""The outlines that an image is read inside: those of its year, else those of any."""

import hashlib
from datetime import date

import polars as pl
import shapely
from shapely.geometry.base import BaseGeometry

Strip = tuple[str, str]  # field, strip


def of_day(strip_outline: pl.DataFrame, day: date) -> dict[Strip, BaseGeometry]:
    """Return the outline of each strip on a day: all its blocks together."""
    of_year = pl.col("season") == day.year
    own = strip_outline.filter(
        of_year.any().over("field", "strip") & of_year.fill_null(False)
        | ~of_year.any().over("field", "strip") & pl.col("season").is_null()
    )
    parts: dict[Strip, list[BaseGeometry]] = {}
    for field, strip, text in own.select("field", "strip", "outline").sort(pl.all()).iter_rows():
        parts.setdefault((field, strip), []).append(shapely.from_wkt(text))
    return {strip: shapely.union_all(shapes) for strip, shapes in parts.items()}


def fingerprint(*what: object) -> str:
    """Return a short hash of what decides how an image is read."""
    return hashlib.sha256(repr(what).encode()).hexdigest()[:12]
