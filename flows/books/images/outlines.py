"""The outlines that an image is read inside: those of its year, else those of any."""

import hashlib
from collections.abc import Callable, Mapping
from functools import cache

import polars as pl
import shapely
from shapely.geometry.base import BaseGeometry

Strip = tuple[str, str]  # field, strip
OfYear = Callable[[int], Mapping[Strip, BaseGeometry]]


def by_year(strip_outline: pl.DataFrame) -> OfYear:
    """Return what gives the outline of each strip in a year: all its blocks together."""

    @cache
    def of(year: int) -> Mapping[Strip, BaseGeometry]:
        of_year = pl.col("season") == year
        own = strip_outline.filter(
            of_year.any().over("field", "strip") & of_year.fill_null(False)
            | ~of_year.any().over("field", "strip") & pl.col("season").is_null()
        )
        parts: dict[Strip, list[BaseGeometry]] = {}
        rows = own.select("field", "strip", "outline").sort(pl.all()).iter_rows()
        for field, strip, text in rows:
            parts.setdefault((field, strip), []).append(shapely.from_wkt(text))
        return {strip: shapely.union_all(shapes) for strip, shapes in parts.items()}

    return of


def fingerprint(*what: object) -> str:
    """Return a short hash of what decides how an image is read."""
    return hashlib.sha256(repr(what).encode()).hexdigest()[:12]
