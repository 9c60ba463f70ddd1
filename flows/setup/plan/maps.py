"""The maps that a plan goes by: ``ground/`` (soil, elevation) and earlier harvests in ``yieldmaps/``."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import PurePath

import numpy as np
import polars as pl
import shapely
from scipy.spatial import cKDTree

from flows.base.errors import UserError
from flows.books import ground_maps, yield_map
from flows.books.fieldbook.problem import Rejected
from flows.books.strip_outlines import Place
from flows.farm.folder import FarmFolder
from flows.farm.instrument_names import folded
from flows.setup.plan.ground import Ground
from schemas.farm.farm import Farm
from transforms.methods.like_ground import SPACING_M, Maps, maps_of
from transforms.trial.methods.map_geometry import Floats, on_globe, plane

LEAST_COVERED = 0.6  # of the field, for a map to be used
REACH_M = 12.0  # from a place to the points of a yield map that stand for it
MOST_PLACES = 40_000
_UNLIKELY = 3.0  # times the median of a yield map: no yield


@dataclass(frozen=True, slots=True)
class Used:
    """Maps on the field's plane, what they are called (by their number), and what was not used and why."""

    maps: Maps
    names: tuple[str, ...]
    left_out: tuple[str, ...]


def of_field(
    folder: FarmFolder, farm: Farm, field: str, ground: Ground, place: Place | None
) -> Used | None:
    """Return the maps of a field that cover most of it; None if the farm has none of it."""
    xy = _grid(ground.outline)
    lon_lat = on_globe(xy, np.array(ground.middle))
    names, values, left_out = list[str](), list[Floats](), list[str]()
    for name, content in sorted(ground_maps.contents(folder.ground).items()):
        what = PurePath(name).stem
        try:
            found = ground_maps.sampler(name, content, place)(lon_lat)
        except Rejected as rejected:
            left_out.append(f"{what} ({rejected.of(name).cause})")
            continue
        _take(what, found, (names, values, left_out))
    others = len(names)
    if (earlier := _earlier(folder, farm, field, xy, ground)) is not None:
        _take(earlier[0], earlier[1], (names, values, left_out))
    if not names and not left_out:
        return None
    harvest = others if len(names) > others else None
    return Used(maps_of(xy, values, harvest), tuple(names), tuple(left_out))


def _take(what: str, found: Floats, into: tuple[list[str], list[Floats], list[str]]) -> None:
    names, values, left_out = into
    covered = np.isfinite(found).mean()
    if covered >= LEAST_COVERED and np.unique(found[np.isfinite(found)]).size > 1:
        names.append(what)
        values.append(found)
    elif covered > 0:
        why = (
            "it is the same everywhere"
            if covered >= LEAST_COVERED
            else "it covers too little of the field"
        )
        left_out.append(f"{what} ({why})")


def _grid(outline: shapely.geometry.base.BaseGeometry) -> Floats:
    west, south, east, north = outline.bounds
    across, along = (
        np.arange(low + SPACING_M / 2, high, SPACING_M)
        for low, high in ((west, east), (south, north))
    )
    grid = np.column_stack([axis.ravel() for axis in np.meshgrid(across, along)])
    return np.asarray(grid[shapely.contains_xy(outline, grid)])


def _earlier(
    folder: FarmFolder, farm: Farm, field: str, xy: Floats, ground: Ground
) -> tuple[str, Floats] | None:
    """Return the mean of earlier harvests, each in percent of its median, on the grid; None without one."""
    try:
        files = yield_map.contents(folder.yield_maps)
    except UserError:
        return None
    points = yield_map.tables_of(files, headings=farm.yield_map_headings).frames["yield_point"]
    grain = pl.coalesce(
        "market_yield_kg_ha", "market_yield_bu_ha", "yield_kg_ha", "yield_bu_ha", "flow_kg_s"
    )
    own = points.filter(
        pl.col("field").map_elements(folded, return_dtype=pl.String) == folded(field)
    ).with_columns(grain=grain)
    seasons, found = list[int](), list[Floats]()
    for (season,), one in own.filter(pl.col("grain") > 0).group_by("season", maintain_order=True):
        percent = one["grain"].to_numpy() / float(np.median(one["grain"].to_numpy()))
        places = plane(
            one.select("longitude_deg", "latitude_deg").to_numpy(), np.array(ground.middle)
        )
        good = percent < _UNLIKELY
        near = cKDTree(places[good]).query_ball_point(xy, REACH_M)
        found.append(np.array([percent[good][n].mean() if n else np.nan for n in near]))
        seasons.append(int(season))
    if not found:
        return None
    stacked = np.vstack(found)
    known = np.isfinite(stacked)
    many = known.sum(axis=0)
    mean = np.where(known, stacked, 0.0).sum(axis=0) / np.maximum(many, 1)
    years = ", ".join(map(str, sorted(seasons)))
    return f"yield of {years}", np.where(many > 0, mean, np.nan)
