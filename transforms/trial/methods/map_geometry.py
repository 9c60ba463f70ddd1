"""Geometry and spatial statistics that the yield map needs."""

import numpy as np
import polars as pl
import shapely
from numpy.typing import NDArray
from scipy import special
from scipy.sparse import csr_array
from scipy.spatial import cKDTree
from shapely.geometry.base import BaseGeometry

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

# The WGS 84 ellipsoid: equatorial radius [m], eccentricity squared
_RADIUS_M, _E2 = 6_378_137.0, 0.00669437999014


def as_book(rows: pl.DataFrame, names: pl.DataFrame) -> pl.DataFrame:
    """Return rows with fields by the name that the field book has, case and spaces aside."""
    plain = pl.col("field").str.strip_chars().str.to_lowercase()
    book = names.select(plain=plain, book=pl.col("field")).unique("plain")
    return (
        rows.with_columns(plain=plain)
        .join(book, on="plain", how="left", maintain_order="left")
        .with_columns(field=pl.coalesce("book", "field"))
        .drop("plain", "book")
    )


def plane(lon_lat: Floats, middle: Floats) -> Floats:
    """Longitude and latitude [degree] as meters east and north of ``middle`` (n x 2 both).

    A plane that touches the WGS 84 ellipsoid at the middle, by the radii of curvature in the
    prime vertical and in the meridian. Within 2 km of the middle, off by less than a meter.
    """
    return np.asarray(np.radians(lon_lat - middle) * _radii(middle), dtype=float)


def on_globe(xy: Floats, middle: Floats) -> Floats:
    """Return meters east and north of ``middle`` as longitude and latitude [degree]: undoes ``plane``."""
    return np.asarray(middle + np.degrees(xy / _radii(middle)), dtype=float)


def _radii(middle: Floats) -> Floats:
    """Meters east and north of a radian at longitude and latitude ``middle`` [degree]."""
    sin2 = 1 - _E2 * np.sin(np.radians(middle[1])) ** 2
    east = _RADIUS_M / np.sqrt(sin2) * np.cos(np.radians(middle[1]))
    return np.array([east, _RADIUS_M * (1 - _E2) / sin2**1.5])


def from_other(xy: Floats, strip: NDArray[np.object_], shapes: dict[str, BaseGeometry]) -> Floats:
    """Distance [m] of each point in a strip from the other: its outline in ``shapes``, else its nearest point.

    ``xy``: n x 2 [m]; ``strip``: of each point its name, or None, which gives NaN. So do more than two
    strips: which one is the other depends on what is compared (``with_border``).
    """
    border = np.full(len(xy), np.nan)
    names = sorted({*shapes, *(name for name in strip if name is not None)})
    if len(names) != 2:
        return border
    for name, other in (names, names[::-1]):
        here, there = strip == name, strip == other
        if not here.any():
            continue
        if other in shapes:
            border[here] = shapely.distance(shapes[other], shapely.points(xy[here]))
        elif not shapes and there.any():
            border[here] = cKDTree(xy[there]).query(xy[here])[0]
    return border


def with_border(points: pl.DataFrame) -> pl.DataFrame:
    """Fill ``border_m`` of a field with more than two strips, once two of them are compared.

    ``points``: as ``yield_point_cleaned``, the strips compared called treated and check. The distance is
    that to the nearest point of the other strip.
    """
    lacks = pl.col("border_m").is_null() & pl.col("strip").is_not_null()
    if points.filter(lacks).is_empty():
        return points
    found = []
    for one in points.partition_by("field", "season", maintain_order=True):
        strip = one["strip"].to_numpy().astype(object)
        xy = one.select("east_m", "north_m").to_numpy()
        near = pl.Series(from_other(xy, strip, {}), nan_to_null=True)
        found.append(one.with_columns(border_m=pl.coalesce("border_m", near)))
    return pl.concat(found)


def neighbor_median(xy: Floats, values: Floats, of: Bools, within_m: float) -> Floats:
    """Median value of the points within ``within_m`` of each point marked in ``of``, itself included."""
    near = cKDTree(xy).query_ball_point(xy[of], within_m)
    return np.array([np.median(values[n]) for n in near], dtype=float)


def local_moran(xy: Floats, values: Floats, within_m: float) -> tuple[Floats, Floats]:
    """Local Moran index of each point and its two-sided p under total randomisation.

    ``xy`` n x 2 [m]; neighbors are all points within ``within_m``, each with the same weight, the
    weights of a point summing to one. Index, expectation and variance after Anselin 1995,
    Geographical Analysis 27, 93-115 (equations from memory; the test holds them against
    permutations). A point without a neighbor, and all points of fewer than four or of equal
    values, have p 1.
    """
    n = len(values)
    deviation = values - values.mean() if n else values
    m2 = float((deviation**2).mean()) if n else 0.0
    if n < 4 or m2 <= 0:
        return np.zeros(n), np.ones(n)
    pairs = cKDTree(xy).query_pairs(within_m, output_type="ndarray")
    both = np.concatenate([pairs, pairs[:, ::-1]])
    neighbors = csr_array((np.ones(len(both)), (both[:, 0], both[:, 1])), shape=(n, n))
    many: Floats = np.bincount(both[:, 0], minlength=n).astype(float)
    has = many > 0
    total: Floats = np.asarray(neighbors @ deviation, dtype=float)
    lag = np.divide(total, many, out=np.zeros(n), where=has)
    index = deviation * lag / m2
    b2 = float((deviation**4).mean()) / m2**2
    squares = np.divide(1.0, many, out=np.ones(n), where=has)  # sum of squared weights
    variance = (
        squares * (n - b2) / (n - 1)
        + (1 - squares) * (2 * b2 - n) / ((n - 1) * (n - 2))
        - 1 / (n - 1) ** 2
    )
    z = (index + 1 / (n - 1)) / np.sqrt(np.maximum(variance, 1e-300))
    p = np.where(has, 2 * special.ndtr(-np.abs(z)), 1.0)
    return index, p
