"""Strip outlines of GeoJSON files: which are taken, which are rejected and what to do about it.

An outline names its field and strip, and may name a season (else it stands for all that have none of
their own) and a block. Several polygons of one strip, season and block are one outline.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from math import cos, hypot, radians
from typing import Any

import polars as pl
import shapely
from shapely.geometry.base import BaseGeometry

from flows.books.fieldbook.problem import Problem, shown
from flows.farm.renames import Renames
from schemas import generated
from schemas.catalogue import TABLES

FAR_KM = 200.0  # of a field from the farm's own place; no source
KM_A_DEGREE = 111.2
SLIVER = 0.02  # of the smaller outline, that two may share along a border drawn by hand; no source

Place = tuple[float, float]  # longitude, latitude [degree]


@dataclass(frozen=True, slots=True)
class Outline:
    """A polygon that is taken, with what it names."""

    field: str
    strip: str
    season: int | None
    block: str | None
    shape: BaseGeometry
    file: str
    number: int  # of the polygon in its file


def outlines_of(
    name: str,
    polygons: list[dict[str, Any]],
    renames: Renames,
    farm: Place | None,
    problems: list[Problem],
) -> Iterator[Outline]:
    """Yield the outlines of one file; ``polygons``: features with ``shape`` and ``properties``.

    ``farm``: the farm's place, where it is known. Faults are added to ``problems``.
    """
    for number, polygon in enumerate(polygons, start=1):
        properties = {
            str(key).lower(): str(value).strip()
            for key, value in polygon["properties"].items()
            if value is not None
        }
        field = renames.today("field", properties.get("field", ""))
        strip = renames.strip(properties.get("strip", properties.get("side", "")), field)
        season = properties.get("season", properties.get("year", "")).removesuffix(".0")
        shape = polygon["shape"]

        def wrong(cause: str, found: str, expected: str, number: int = number) -> None:
            problems.append(Problem(name, number, "", cause, found, expected))

        if strip is None or not field:
            expected = "properties field and strip (treated, check, or a name of the field book's sheet strips)"
            wrong("the outline has no name", shown(properties), expected)
        elif season and not (season.isdecimal() and 1900 <= int(season) <= 2200):
            wrong("the season of the outline is no year", shown(season), "a year such as 2021")
        elif fault := misplaced(shape, farm):
            wrong(*fault)
        elif not shape.is_valid:
            wrong(
                "the outline crosses itself",
                str(shapely.is_valid_reason(shape)),
                "a plain polygon: draw it again, or take out the corner where its line crosses itself",
            )
        else:
            yield Outline(
                field,
                strip,
                int(season) if season else None,
                properties.get("block") or None,
                shape,
                name,
                number,
            )


def misplaced(shape: BaseGeometry, farm: Place | None) -> tuple[str, str, str] | None:
    """Return cause, found and expected of an outline that does not lie where the farm can have it."""
    west, south, east, north = shape.bounds or (999.0,) * 4
    place, found = ((west + east) / 2, (south + north) / 2), f"{west:.6g} {south:.6g}"
    if is_swapped(place, farm):
        return ("the outline's degrees are exchanged", found, "longitude first, then latitude")
    if not (-180 <= west <= east <= 180 and -90 <= south <= north <= 90):
        expected = "longitude and latitude in degrees: export it in WGS 84 (EPSG:4326)"
        return ("the outline is not in degrees", found, expected)
    if farm is not None and is_far(place, farm):
        return ("the outline lies far from the farm", found, near(farm))
    return None


def near(farm: Place) -> str:
    """Return what to do about something far away."""
    return (
        f"a place near the farm's ({farm[0]:.6g} {farm[1]:.6g}): correct the file, or longitude and "
        "latitude in farm.toml"
    )


def is_far(place: Place, farm: Place) -> bool:
    """Whether a place (longitude, latitude) is too far from the farm to be a field of it."""
    east = ((place[0] - farm[0] + 180) % 360 - 180) * cos(radians(farm[1]))
    return hypot(east, place[1] - farm[1]) * KM_A_DEGREE > FAR_KM


def is_swapped(place: Place, farm: Place | None) -> bool:
    """Whether longitude and latitude were exchanged: so the place fits, and as it is not."""
    turned = (place[1], place[0])
    if farm is not None:
        return is_far(place, farm) and not is_far(turned, farm)
    return abs(place[0]) <= 90 < abs(place[1]) <= 180


def without_overlaps(outlines: list[Outline], problems: list[Problem]) -> list[Outline]:
    """Return the outlines without those of two strips that cover the same ground, which are faults.

    Outlines of one field and season are compared; a sliver along a shared border (``SLIVER``) may stay.
    """
    wrong: dict[int, str] = {}
    for i, one in enumerate(outlines):
        for j, other in enumerate(outlines[:i]):
            if _is_crossed(one, other):
                wrong[i] = wrong[j] = one.field
    for i in sorted(wrong):
        one = outlines[i]
        cause, found = "outlines of two strips overlap", f"{one.field}, {one.strip}"
        expected = (
            "outlines side by side: draw them again so that none covers ground of the other strip"
        )
        problems.append(Problem(one.file, one.number, "", cause, found, expected))
    return [one for i, one in enumerate(outlines) if i not in wrong]


def _is_crossed(one: Outline, other: Outline) -> bool:
    """Whether two outlines are of different strips of one field and season and cover the same ground."""
    same = one.field.lower() == other.field.lower() and one.season == other.season
    if not same or one.strip == other.strip or not one.shape.intersects(other.shape):
        return False
    shared = one.shape.intersection(other.shape).area
    return shared > SLIVER * min(one.shape.area, other.shape.area)


def table_of(outlines: list[Outline]) -> pl.DataFrame:
    """Return ``strip_outline``: polygons of one field, strip, season and block as one row."""
    table = TABLES["strip_outline"]
    groups: dict[tuple[str, str, int, str], list[Outline]] = {}
    for one in outlines:
        key = (one.field.lower(), one.strip, one.season or 0, one.block or "")
        groups.setdefault(key, []).append(one)
    parts: dict[tuple[str, str], int] = {}
    rows = []
    for (field, strip, _, _), own in sorted(groups.items()):
        parts[field, strip] = part = parts.get((field, strip), 0) + 1
        first = own[0]
        whole = shapely.unary_union([one.shape for one in own])
        rows.append(
            {
                "field": min(one.field for one in own),
                "strip": strip,
                "part": part,
                "season": first.season,
                "block": first.block,
                "outline": whole.wkt,
            }
        )
    return pl.DataFrame(rows, schema=generated.polars_schema(table)).sort(table.key)
