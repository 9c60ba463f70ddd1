"""The ground of a plan: the field's outline and what to leave out, read from files of the user."""

from __future__ import annotations

import io
import json
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
import polars as pl
import shapely
from shapely.geometry import shape
from shapely.geometry.base import BaseGeometry

from flows.base.errors import UserError
from flows.books.fieldbook import columns
from flows.books.fieldbook.files import decoded
from flows.books.strip_outlines import Place, misplaced
from flows.books.yield_map import is_of_whole_field
from flows.farm.instrument_names import folded
from schemas.fieldbook.yield_map import OUTLINE_ENDINGS, POINTS
from transforms.trial.methods.map_geometry import on_globe, plane

_Shape = TypeVar("_Shape", bound=BaseGeometry)

FARTHEST_NORTH = 66.0  # no strip trial lies beyond: then latitude is longitude
HOW = (
    "Draw the field's outline in any map program, export it as GeoJSON (WGS 84), give it the property "
    "field, and name the file with --outline; or list the field's corners, in order around it, on the "
    "sheet corners of the field book or in a CSV (latitude, longitude) that you name with --corners."
)


@dataclass(frozen=True, slots=True)
class Ground:
    """A field's outline and odd ground on a plane [m] around ``middle`` (longitude, latitude)."""

    outline: BaseGeometry
    avoid: BaseGeometry
    middle: tuple[float, float]

    def on_globe(self, shape_m: _Shape) -> _Shape:
        """Return a shape of the plane in longitude and latitude [degree], WGS 84."""
        middle = np.array(self.middle)
        turned: _Shape = shapely.transform(shape_m, lambda xy: on_globe(xy, middle))
        return turned


def of_field(  # noqa: PLR0917
    field: str,
    outline: Path | None,
    corners: Path | None,
    avoid: Path | None,
    maps: Path,
    book: pl.DataFrame,
    farm: Place | None,
) -> Ground:
    """Return the ground of a field; UserError with what to do if there is none that can be used.

    ``outline`` or ``corners``: the user's file; without them the corners in the field book (``book``: as
    ``field_corner``), else a feature of the field in a GeoJSON file of the folder ``maps``. ``farm``: the
    farm's longitude and latitude, where known.
    """
    if outline and corners:
        raise UserError("Choose one of --outline and --corners.")
    if corners:
        place, name = _corners(corners), corners.name
    elif outline:
        place, name = _chosen(field, _polygons(outline), outline.name), outline.name
    elif field in book["field"]:
        rows = book.filter(pl.col("field") == field).sort("corner")
        name = f"sheet corners, {field}"
        place = _around(rows.select("longitude_deg", "latitude_deg"), name)
    else:
        place, name = _known(field, maps)
    _must_be_usable(place, name, farm)
    odd: BaseGeometry = shapely.GeometryCollection()
    if avoid:
        odd = shapely.unary_union([polygon for polygon, _ in _polygons(avoid)])
        _must_be_usable(odd, avoid.name, farm)
    west, south, east, north = place.bounds
    middle = ((west + east) / 2, (south + north) / 2)
    at = np.array(middle)
    return Ground(
        shapely.transform(place, lambda lon_lat: plane(lon_lat, at)),
        shapely.transform(odd, lambda lon_lat: plane(lon_lat, at)),
        middle,
    )


def _known(field: str, maps: Path) -> tuple[BaseGeometry, str]:
    """Return the outline of the field in the farm's own map files, and the file's name."""
    for path, polygons in _of_fields(maps):
        of = [polygon for polygon, properties in polygons if _is(field, properties)]
        if of:
            return shapely.unary_union(of), path.name
    raise UserError(f"There is no outline of the field {field}. {HOW}")


def outlined(maps: Path) -> list[str]:
    """Return the fields that have an outline in the farm's own map files."""
    found = (_field(properties) for _, own in _of_fields(maps) for _, properties in own)
    return list(dict.fromkeys(found))


def _of_fields(maps: Path) -> Iterator[tuple[Path, list[tuple[BaseGeometry, dict[str, Any]]]]]:
    """Yield the files of a folder that have outlines of whole fields, and those."""
    for path in sorted(maps.iterdir()) if maps.is_dir() else []:
        if path.suffix.lower() in OUTLINE_ENDINGS:
            try:
                polygons = _polygons(path)
            except UserError:
                continue  # a map or something else; collect reports what is wrong with it
            yield path, [one for one in polygons if is_of_whole_field(one[1])]


def _chosen(
    field: str, polygons: list[tuple[BaseGeometry, dict[str, Any]]], name: str
) -> BaseGeometry:
    own = [polygon for polygon, properties in polygons if _is(field, properties)]
    if not own and len(polygons) == 1 and not _field(polygons[0][1]):
        own = [polygons[0][0]]
    if not own:
        there = _listed(_field(properties) for _, properties in polygons)
        raise UserError(
            f"{name} has no outline of the field {field} (fields there: {there}). Give the outline's "
            f"feature the property field with the value {field}."
        )
    return own[0] if len(own) == 1 else shapely.unary_union(own)


def _field(properties: dict[str, Any]) -> str:
    return str({str(key).lower(): value for key, value in properties.items()}.get("field") or "")


def _is(field: str, properties: dict[str, Any]) -> bool:
    return folded(_field(properties)) == folded(field)


def _listed(names: Iterable[str]) -> str:
    return ", ".join(sorted({name for name in names if name})) or "none named"


def _polygons(path: Path) -> list[tuple[BaseGeometry, dict[str, Any]]]:
    """Return the polygons of a GeoJSON file with their properties; UserError if there is none."""
    try:
        content = json.loads(decoded(path.read_bytes()))
        features = content["features"] if content.get("type") == "FeatureCollection" else [content]
        found = [
            (shape(one.get("geometry") or one), one.get("properties") or {}) for one in features
        ]
    except OSError as error:
        raise UserError(f"{path} cannot be read ({error.strerror}).") from None
    except (ValueError, TypeError, KeyError, AttributeError, RecursionError) as error:
        raise UserError(
            f"{path.name} is not GeoJSON ({type(error).__name__}). Export the outline as GeoJSON, WGS 84."
        ) from None
    except shapely.errors.ShapelyError as error:
        raise UserError(f"{path.name} has a shape that cannot be read: {error}") from None
    polygons = [one for one in found if one[0].geom_type in ("Polygon", "MultiPolygon")]
    polygons = [one for one in polygons if not one[0].is_empty]
    if not polygons:
        raise UserError(f"{path.name} has no polygon. {HOW}")
    return polygons


def _corners(path: Path) -> BaseGeometry:
    """Return the outline whose corners a CSV lists in order around the field."""
    try:
        text = decoded(path.read_bytes())
        frame = pl.read_csv(io.BytesIO(text.encode()), infer_schema=False)
    except OSError as error:
        raise UserError(f"{path} cannot be read ({error.strerror}).") from None
    except pl.exceptions.PolarsError as error:
        raise UserError(f"{path.name} cannot be read as CSV ({str(error)[:80]}).") from None
    found = {
        matched[0].name: name for name in frame.columns if (matched := columns.match(POINTS, name))
    }
    if not {"latitude", "longitude"} <= found.keys():
        raise UserError(f"{path.name} needs the columns latitude and longitude (degrees, WGS 84).")
    both = frame.select(
        pl.col(found["longitude"], found["latitude"])
        .str.strip_chars()
        .cast(pl.Float64, strict=False)
    )
    bad = both.with_row_index("row", offset=2).filter(
        ~pl.all_horizontal(pl.exclude("row").is_finite().fill_null(False))
    )
    if bad.height:
        raise UserError(
            f"{path.name}, row {bad['row'][0]}: expected latitude and longitude in degrees, such as "
            "49.52 and -98.01."
        )
    return _around(both, path.name)


def _around(corners: pl.DataFrame, name: str) -> BaseGeometry:
    """Return the outline around corners in order (longitude, latitude)."""
    if corners.height < 3:
        raise UserError(f"{name}: {corners.height} of the three or more corners that it needs.")
    return shapely.Polygon(corners.to_numpy())


def _must_be_usable(place: BaseGeometry, name: str, farm: Place | None) -> None:
    """Raise UserError if an outline lies elsewhere, is in other units or crosses itself."""
    if fault := misplaced(place, farm):
        raise UserError(f"{name}: {fault[0]} (found {fault[1]}; expected {fault[2]}).")
    middle = place.centroid
    if abs(middle.y) > FARTHEST_NORTH >= abs(middle.x):
        raise UserError(
            f"{name}: the outline's degrees are exchanged (found {middle.x:.6g} {middle.y:.6g}; "
            "expected longitude first, then latitude)."
        )
    if not place.is_valid:
        raise UserError(
            f"{name}: the outline crosses itself ({shapely.is_valid_reason(place)}). Draw it again, or "
            "take out the corner where its line crosses itself."
        )
