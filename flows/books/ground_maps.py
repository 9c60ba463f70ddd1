"""Lays maps of the ground under the strips: GeoJSON (RFC 7946) and GeoTIFF (OGC 19-008r4).

A map is a file of ``ground/``, named as what it shows (``elevation (m).tif``). Its value is read on a
grid of ``SPACING_M`` within each outline: of a GeoTIFF the pixel's, of polygons that of the polygon the
place lies in, of points the nearest within ``REACH_M``.
"""

import json
from collections.abc import Callable, Mapping
from importlib.util import find_spec
from pathlib import Path, PurePath
from typing import Any

import numpy as np
import polars as pl
import shapely
from scipy.spatial import cKDTree
from shapely.geometry import shape
from shapely.geometry.base import BaseGeometry

from flows.base.files import readable
from flows.base.plain_text import counted
from flows.books.fieldbook.files import decoded
from flows.books.fieldbook.problem import Problem, Rejected, shown
from flows.books.images import extra, geotiff
from flows.books.strip_outlines import Place, misplaced
from schemas import generated
from schemas.catalogue import TABLES
from schemas.fieldbook.yield_map import MAX_MAP_BYTES
from transforms.trial.methods.map_geometry import Floats, on_globe, plane

FOLDER = "ground/"  # before the names of these files, beside those of the yield maps
RASTERS = (".tif", ".tiff")
ENDINGS = (".geojson", ".json", *RASTERS)
SPACING_M = 10.0
REACH_M = 25.0  # from a place to the nearest point of a map of points; no source
MOST_PIXELS = 50_000_000  # of a GeoTIFF's tile, which is unpacked whole

Sample = Callable[
    [Floats], Floats
]  # longitude and latitude (n x 2) to values, nan where there is none


def table_of(
    files: Mapping[str, bytes],
    outlines: pl.DataFrame,
    farm: Place | None,
    problems: list[Problem],
) -> pl.DataFrame:
    """Return ``ground_point``: the values of all maps under the outlines of ``strip_outline``.

    ``files``: by name, with ``FOLDER`` before it. ``farm``: the farm's place, where it is known. Faults
    are added to ``problems``. Raises nothing on any content.
    """
    table = TABLES["ground_point"]
    frames = [generated.empty(table)]
    named: set[str] = set()
    for name in sorted(files):
        try:
            what = PurePath(name).stem
            if what.lower() in named:
                raise Rejected("two maps have the same name", shown(what), "a name for each map")
            frames.append(_laid(what, sampler(name, files[name], farm), outlines))
            named.add(what.lower())
        except Rejected as rejected:
            problems.append(rejected.of(name))
    return pl.concat(frames).sort(table.key)


def _laid(what: str, sample: Sample, outlines: pl.DataFrame) -> pl.DataFrame:
    """Return a map's values under each outline that it covers at all."""
    if outlines.is_empty():
        raise Rejected(
            "no strip has an outline", "a map", "outlines of the strips in yieldmaps/ (GeoJSON)"
        )
    found = []
    for field, strip, part, text in outlines.select("field", "strip", "part", "outline").rows():
        places = _places(shapely.from_wkt(text))
        values = sample(places)
        if np.isfinite(values).any():
            columns = {"longitude_deg": places[:, 0], "latitude_deg": places[:, 1], "value": values}
            found.append(
                pl.DataFrame(columns).with_columns(
                    field=pl.lit(field),
                    strip=pl.lit(strip),
                    part=pl.lit(part),
                    ground_map=pl.lit(what),
                    point=pl.int_range(1, pl.len() + 1),
                    value=pl.col("value").fill_nan(None),
                )
            )
    if not found:
        raise Rejected(
            "the map covers no strip",
            "no value under any outline",
            "a map that lies over the strips' outlines in yieldmaps/",
        )
    table = TABLES["ground_point"]
    return pl.concat([generated.conform(one.select(table.names), table) for one in found])


def _places(outline: BaseGeometry) -> Floats:
    """Return the places of a grid within an outline (n x 2, degrees); of a sliver its own point."""
    middle = np.array(outline.envelope.centroid.coords[0])
    flat = shapely.transform(outline, lambda p: plane(p, middle))
    west, south, east, north = flat.bounds
    across, along = np.meshgrid(
        np.arange(west + SPACING_M / 2, east, SPACING_M),
        np.arange(south + SPACING_M / 2, north, SPACING_M),
    )
    grid = np.column_stack([across.ravel(), along.ravel()])
    inside = grid[shapely.contains_xy(flat, grid)]
    if not len(inside):
        inside = np.array(flat.representative_point().coords)
    return on_globe(inside, middle)


def sampler(name: str, content: bytes, farm: Place | None) -> Sample:
    """Return what a map says at places; raises Rejected where it is no map that can be laid."""
    if len(content) > MAX_MAP_BYTES:
        raise Rejected(
            "the file is too large", counted(len(content), "byte"), f"at most {MAX_MAP_BYTES:,}"
        )
    if PurePath(name).suffix.lower() in RASTERS:
        return _raster(content)
    shapes, values = _shapes(PurePath(name).stem, decoded(content))
    if fault := misplaced(shapely.box(*shapely.total_bounds(shapes)), farm):
        raise Rejected(fault[0].replace("outline", "map"), *fault[1:])
    areas = [one.geom_type in ("Polygon", "MultiPolygon") for one in shapes]
    return _areas(shapes, values) if all(areas) else _points(shapes, values)


def _shapes(what: str, text: str) -> tuple[list[BaseGeometry], Floats]:
    """Return the shapes of a GeoJSON file and the number that each has."""
    try:
        features = json.loads(text)["features"]
        shapes = [shape(one["geometry"]) for one in features]
        properties = [one.get("properties") or {} for one in features]
        sound = all(one.is_valid and not one.is_empty for one in shapes)
    except (ValueError, TypeError, KeyError, AttributeError, RecursionError) as error:
        raise Rejected(
            "the file is not GeoJSON", type(error).__name__, "a FeatureCollection"
        ) from error
    except shapely.errors.ShapelyError as error:
        raise Rejected("a shape cannot be read", str(error)[:80], "points or polygons") from error
    if not shapes or not sound:
        raise Rejected(
            "a shape is empty or crosses itself" if shapes else "the map is empty",
            counted(len(shapes), "feature"),
            "points, or plain polygons: export the map again",
        )
    chosen = _property(what, properties)
    return shapes, np.array([_number(one.get(chosen)) for one in properties])


def _property(what: str, properties: list[dict[str, Any]]) -> str:
    """Return the property that has the map's values: named as the file, or the only one of numbers."""
    names = dict.fromkeys(str(name) for one in properties for name in one)
    plain = what.split("(", maxsplit=1)[0].strip().lower()
    for name in names:
        if name.lower() in (what.lower(), plain):
            return name
    numbers = [n for n in names if any(np.isfinite(_number(one.get(n))) for one in properties)]
    if len(numbers) == 1:
        return numbers[0]
    raise Rejected(
        "it is not known which property has the values",
        ", ".join(names) or "no property",
        f"one property of numbers, or one that is named as the file ({plain})",
    )


def _number(value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float | str):
        return float("nan")
    try:
        return float(value)
    except ValueError:
        return float("nan")


def _areas(shapes: list[BaseGeometry], values: Floats) -> Sample:
    tree = shapely.STRtree(shapes)

    def sample(places: Floats) -> Floats:
        found = np.full(len(places), np.nan)
        at, which = tree.query(shapely.points(places), predicate="intersects")
        found[at[::-1]] = values[which[::-1]]
        return found

    return sample


def _points(shapes: list[BaseGeometry], values: Floats) -> Sample:
    known = np.isfinite(values)
    places_of = np.array([one.centroid.coords[0] for one in shapes])[known]

    def sample(places: Floats) -> Floats:
        middle = places.mean(axis=0)
        if not known.any():
            return np.full(len(places), np.nan)
        far, at = cKDTree(plane(places_of, middle)).query(plane(places, middle))
        return np.where(far <= REACH_M, values[known][at], np.nan)

    return sample


def _raster(content: bytes) -> Sample:
    """Return the sampler of a GeoTIFF of one band; raise Rejected if it is none that can be laid."""
    if find_spec("rasterio") is None:
        raise Rejected(
            "a GeoTIFF needs the package rasterio", "no such package", "pip install rasterio"
        )
    from rasterio import warp  # noqa: PLC0415  an optional part, and slow to import

    def sample(places: Floats) -> Floats:
        found = np.full(len(places), np.nan)
        with extra.alone(), geotiff.opened(content) as source:
            _must_be_map(source)
            east, north = map(
                np.array, warp.transform("EPSG:4326", source.crs, places[:, 0], places[:, 1])
            )
            box = source.bounds
            inside = (
                (east >= box.left) & (east < box.right) & (north > box.bottom) & (north <= box.top)
            )
            at = list(zip(east[inside], north[inside], strict=True))
            if at:
                read = np.ma.concatenate(list(source.sample(at, indexes=1, masked=True)))  # type: ignore[no-untyped-call]
                found[inside] = read.astype(float).filled(np.nan)
        return found

    return sample


def _must_be_map(source: Any) -> None:
    if source.crs is None:
        raise Rejected(
            "the map has no projection",
            "no coordinate system",
            "a GeoTIFF with its coordinate system: export it again with the projection stored",
        )
    if source.count != 1:
        raise Rejected("the map has several bands", counted(source.count, "band"), "one band")
    if int(np.prod(source.block_shapes[0], dtype=np.int64)) > MOST_PIXELS:
        raise Rejected(
            "the map's tiles are too large",
            f"{source.block_shapes[0]} pixels",
            f"tiles of at most {MOST_PIXELS:,} pixels",
        )


def contents(folder: Path) -> dict[str, bytes]:
    """Return the map files of ``folder`` by name, with ``FOLDER`` before it; none without a folder."""
    found = {}
    for path in sorted(folder.iterdir()) if folder.is_dir() else ():
        if path.suffix.lower() in ENDINGS:
            with path.open("rb") as stream:
                found[FOLDER + readable(path.name)] = stream.read(MAX_MAP_BYTES + 1)
    return found
