"""Reads yield-map exports (points as CSV or GeoJSON) and strip outlines (GeoJSON).

A map's field and season stand in its columns, or else in its file name (``Home 2021.csv``,
``home_2021_wheat.geojson``). The reading needs nothing but the files, so that it can be done again
at any time; crops, bushel weights and the field book's spelling of names come in by the transform.
"""

import io
import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path, PurePath
from typing import Any

import polars as pl
import shapely
from shapely.geometry import shape

from flows.base.errors import UserError
from flows.base.files import readable
from flows.base.plain_text import counted
from flows.books import ground_maps
from flows.books.fieldbook import columns
from flows.books.fieldbook.files import decoded
from flows.books.fieldbook.problem import Problem, Rejected, shown
from flows.books.strip_outlines import Outline, Place, outlines_of, table_of, without_overlaps
from flows.books.yield_map_points import points_of
from flows.farm.renames import Renames
from flows.store import warehouse
from schemas import generated
from schemas.catalogue import TABLES
from schemas.fieldbook.yield_map import (
    MAX_MAP_BYTES,
    MAX_POINTS,
    OUTLINE_ENDINGS,
    POINT_ENDINGS,
    POINTS,
)

_HEADING_LINES = 20
NO_RENAMES = Renames()

Headings = Mapping[str, Mapping[str, str]]
NO_HEADINGS: Headings = {}


@dataclass(frozen=True, slots=True)
class YieldMaps:
    """``yield_point``, ``strip_outline`` and ``ground_point``, and everything that was wrong."""

    frames: dict[str, pl.DataFrame]
    problems: list[Problem]


def read(path: Path, *, offset_h: float = 0.0) -> YieldMaps:
    """Return the maps at ``path``, a folder or one file; settings as in tables_of.

    Raises UserError where there is nothing at ``path``.
    """
    return tables_of(contents(path), offset_h=offset_h)


def contents(path: Path) -> dict[str, bytes]:
    """Return the map files by name. Raises UserError where there is nothing at ``path``."""
    endings = POINT_ENDINGS + OUTLINE_ENDINGS
    if path.is_dir():
        files = sorted(p for p in path.iterdir() if p.suffix.lower() in endings)
    elif path.is_file():
        files = [path]
    else:
        raise UserError(f"There is no yield map at {path}.")
    content = {}
    for file in files:
        with file.open("rb") as stream:
            content[readable(file.name)] = stream.read(MAX_MAP_BYTES + 1)
    return content


def tables_of(
    files: Mapping[str, bytes],
    *,
    offset_h: float = 0.0,
    renames: Renames = NO_RENAMES,
    farm: Place | None = None,
    headings: Headings = NO_HEADINGS,
) -> YieldMaps:
    """Points, outlines and values of ground maps of the files given by name and content.

    ``offset_h``: the farm's standard time minus UTC, for stamps that name no zone; only time steps
    are used, so a wrong hour does no harm. ``renames``: former names of fields and strips.
    ``farm``: its longitude and latitude, where known: nothing is taken that lies far away.
    ``headings``: by file, the headings that mean something else than they say, and what. Every
    fault is in ``problems``: whole files that cannot be read, columns that are not known, and per
    column how many values of it were not usable.
    Raises nothing on any content.
    """
    problems: list[Problem] = []
    points: list[pl.DataFrame] = []
    outlines: list[Outline] = []
    ground = {name: data for name, data in files.items() if name.startswith(ground_maps.FOLDER)}
    for name in sorted(files.keys() - ground.keys()):
        try:
            grid, shapes = grid_of(name, files[name], headings.get(name, {}))
            outlines += outlines_of(name, shapes, renames, farm, problems)
            if grid.height:
                points.append(points_of(name, grid, offset_h, renames, farm, problems))
        except Rejected as rejected:
            problems.append(rejected.of(name))
    point = TABLES["yield_point"]
    frames = {
        "strip_outline": table_of(without_overlaps(outlines, problems)),
        "yield_point": pl.concat([generated.empty(point), *points]).sort(point.key),
    }
    frames["ground_point"] = ground_maps.table_of(ground, frames["strip_outline"], farm, problems)
    for table in (TABLES[name] for name in frames):
        warehouse.check(table, frames[table.name])  # a fault here is ours, not the user's
    return YieldMaps(frames, sorted(set(problems)))


def grid_of(
    name: str, content: bytes, meant: Mapping[str, str]
) -> tuple[pl.DataFrame, list[dict[str, Any]]]:
    """Return a file's rows as text, the column ``row`` counting them, and its polygons' features.

    ``meant``: headings as written, and what they mean. Raises Rejected where it is no map.
    """
    if len(content) > MAX_MAP_BYTES:
        raise Rejected(
            "the file is too large", counted(len(content), "byte"), f"at most {MAX_MAP_BYTES:,}"
        )
    text = decoded(content)
    if PurePath(name).suffix.lower() in OUTLINE_ENDINGS:
        grid, shapes = _features(text)
        return _as_meant(grid, meant), shapes
    return _delimited(text, meant), []


def _as_meant(grid: pl.DataFrame, meant: Mapping[str, str]) -> pl.DataFrame:
    """Return the columns under the headings they mean; one that stands already is left as it is."""
    new = {old: name for old, name in meant.items() if old in grid.columns}
    return grid.rename({old: name for old, name in new.items() if name not in grid.columns})


def _delimited(text: str, meant: Mapping[str, str]) -> pl.DataFrame:
    lines = text.splitlines()[:_HEADING_LINES]

    def hits(choice: tuple[int, str]) -> list[str]:
        cells = [c.strip('" ') for c in lines[choice[0]].split(choice[1])]
        found = (columns.match(POINTS, meant.get(cell, cell)) for cell in cells if cell)
        return [match[0].name for match in found if match]

    choices = [(n, d) for n in range(len(lines)) for d in ",;\t|"]
    best = max(choices, key=lambda choice: len(hits(choice)), default=None)
    if best is None or (len(hits(best)) < 3 and not {"latitude", "longitude"} <= {*hits(best)}):
        names = ", ".join(h.name for h in POINTS.headings)
        raise Rejected(
            "no headings were found", shown("".join(lines[:1])), f"a row with some of {names}"
        )
    skip, delimiter = best
    try:
        frame = pl.read_csv(
            io.BytesIO(text.encode()),
            separator=delimiter,
            skip_lines=skip,
            infer_schema=False,
            truncate_ragged_lines=True,
            n_rows=MAX_POINTS + 1,
        )
    except pl.exceptions.PolarsError as error:
        raise Rejected(
            "the file cannot be read as delimited text", str(error)[:80], "a CSV file"
        ) from error
    frame = frame.rename({c: c.strip() for c in frame.columns if c != c.strip()})
    return _as_meant(frame, meant).with_row_index("row", offset=skip + 2)


def _features(text: str) -> tuple[pl.DataFrame, list[dict[str, Any]]]:
    try:
        content = json.loads(text)
        features = content["features"] if content.get("type") == "FeatureCollection" else [content]
        rows, polygons = [], []
        for feature in features:
            place = shape(feature["geometry"])
            properties = feature.get("properties") or {}
            is_strip = place.geom_type in ("Polygon", "MultiPolygon")
            if is_strip and any(str(k).lower() in ("strip", "side") for k in properties):
                polygons.append({"shape": place, "properties": properties})
            elif not (is_strip and is_of_whole_field(properties)):
                middle = place.centroid  # of a swath's outline; of a point the point itself
                rows.append(
                    {str(k): None if v is None else str(v) for k, v in properties.items()}
                    | {"longitude": str(middle.x), "latitude": str(middle.y)}
                )
    except (
        ValueError,
        TypeError,
        KeyError,
        AttributeError,
        RecursionError,
        shapely.errors.ShapelyError,
    ) as error:
        raise Rejected(
            "the file is not GeoJSON", f"{type(error).__name__}", "a FeatureCollection"
        ) from error
    if not rows:
        return pl.DataFrame(), polygons
    names = list(dict.fromkeys(n for r in rows for n in r))
    frame = pl.DataFrame(rows, schema=dict.fromkeys(names, pl.String))
    return frame.with_row_index("row", offset=1), polygons


def is_of_whole_field(properties: Mapping[str, Any]) -> bool:
    """Return whether a polygon's properties name a field and nothing that a map or a strip has.

    Such a polygon is the field's own outline: ``checkstrip plan`` uses it, and it is no part of a map.
    """
    known = {
        matched[0].name
        for key, value in properties.items()
        if value is not None and (matched := columns.match(POINTS, str(key)))
    }
    return known == {"field"}
