"""Maps of the ground under the strips: GeoJSON and GeoTIFF, what is laid and what is rejected."""

from __future__ import annotations

import sys
from typing import Any

import numpy as np
import polars as pl
import pytest
import shapely
from pyproj import CRS, Transformer
from rasterio import MemoryFile
from rasterio.transform import from_origin

from flows.books import ground_maps, yield_map
from schemas import generated
from schemas.catalogue import TABLES
from tests.flows.yield_maps import collection, feature

WEST, SOUTH = -98.2, 49.9
# Two strips side by side, about 72 by 111 m each.
TREATED = shapely.box(WEST, SOUTH, WEST + 0.001, SOUTH + 0.001)
CHECK = shapely.box(WEST + 0.001, SOUTH, WEST + 0.002, SOUTH + 0.001)
OUTLINES = collection(
    feature(TREATED, field="Home", strip="treated"), feature(CHECK, field="Home", strip="check")
)
FARM = (-98.0, 50.0)


def read(name: str, content: bytes, outlines: bytes | None = OUTLINES) -> yield_map.YieldMaps:
    files = {"ground/" + name: content} | ({"strips.geojson": outlines} if outlines else {})
    found = yield_map.tables_of(files, farm=FARM)
    generated.check(TABLES["ground_point"]).validate(found.frames["ground_point"])
    return found


def points(found: yield_map.YieldMaps, strip: str) -> pl.DataFrame:
    return found.frames["ground_point"].filter(pl.col("strip") == strip)


def tiff(values: Any, epsg: int | None = 4326, **kept: Any) -> bytes:
    """The values, north first, over both strips in degrees, or in meters of another projection."""
    values = np.asarray(values, dtype="float32")
    west, south, east, north = WEST, SOUTH, WEST + 0.002, SOUTH + 0.001
    if epsg not in (4326, None):
        there = Transformer.from_crs(4326, epsg, always_xy=True)
        (west, east), (south, north) = there.transform([west, east], [south, north])
    rows, columns = values.shape[-2:]
    place = from_origin(west, north, (east - west) / columns, (north - south) / rows)
    profile = {"height": rows, "width": columns, "count": 1, "dtype": "float32"} | kept
    crs = None if epsg is None else CRS.from_epsg(epsg).to_wkt()
    with MemoryFile() as file:
        with file.open(driver="GTiff", transform=place, crs=crs, **profile) as target:
            target.write(np.broadcast_to(values, (profile["count"], rows, columns)))
        return file.read()


def test_the_grid_is_of_ten_meters_and_lies_in_its_strip() -> None:
    """0.001 degrees are 71.7 m by 111.2 m at 49.9 degrees north (WGS 84): 7 by 11 places."""
    found = read("clay.geojson", collection(feature(TREATED, clay=40), feature(CHECK, clay=30)))
    assert found.problems == []
    treated = points(found, "treated")
    assert treated.height == 77
    assert treated["value"].unique().to_list() == [40.0]
    assert points(found, "check")["value"].unique().to_list() == [30.0]
    assert treated["ground_map"].unique().to_list() == ["clay"]
    places = shapely.points(treated.select("longitude_deg", "latitude_deg").to_numpy())
    assert shapely.contains(TREATED, places).all()
    lon, lat = (treated[name].unique().sort() for name in ("longitude_deg", "latitude_deg"))
    assert (lat[1] - lat[0]) * 111_230 == pytest.approx(10, abs=0.05)
    assert (lon[1] - lon[0]) * 71_810 == pytest.approx(10, abs=0.05)


@pytest.mark.parametrize("epsg", [4326, 32614])
def test_a_geotiff_gives_the_pixel_that_a_place_lies_in(epsg: int) -> None:
    """West half 5, east half 8; UTM zone 14 north too, whose grid is turned by less than a degree."""
    found = read("elevation (m).tif", tiff([[5, 8]], epsg))
    assert found.problems == []
    assert points(found, "treated")["value"].drop_nulls().median() == 5.0
    assert points(found, "check")["value"].drop_nulls().median() == 8.0
    assert found.frames["ground_point"]["value"].null_count() < 0.1 * 154
    assert found.frames["ground_point"]["ground_map"][0] == "elevation (m)"


def test_what_the_map_calls_missing_is_null() -> None:
    found = read("elevation.tif", tiff([[5, -9999]], nodata=-9999))
    assert points(found, "check").is_empty()
    found = read("elevation.tif", tiff([[5, 5, -9999, 5]], nodata=-9999))
    assert 0.4 < points(found, "check")["value"].null_count() / 77 < 0.6


def test_points_reach_25_meters() -> None:
    middle = TREATED.centroid
    found = read("ec.geojson", collection(feature(middle, ec=1.5)))
    assert points(found, "check").is_empty()
    known = points(found, "treated").filter(pl.col("value").is_not_null())
    east = (known["longitude_deg"] - middle.x) * 71_810
    north = (known["latitude_deg"] - middle.y) * 111_230
    assert ((east**2 + north**2) ** 0.5).max() < 25.1
    assert known.height == pytest.approx(np.pi * 25**2 / 100, abs=3)


ONE = feature(TREATED, clay=40)
BOW_TIE = shapely.Polygon(
    [(WEST, SOUTH), (WEST + 1e-3, SOUTH + 1e-3), (WEST + 1e-3, SOUTH), (WEST, SOUTH + 1e-3)]
)


@pytest.mark.parametrize(
    ("name", "content", "cause", "expected"),
    [
        ("x.tif", b"no tiff", "cannot be read as GeoTIFF", "a whole GeoTIFF"),
        ("x.tif", tiff([[5, 8]])[:-6], "cannot be read as GeoTIFF", "a whole GeoTIFF"),
        ("x.tif", tiff([[5, 8]], None), "has no projection", "with the projection stored"),
        ("x.tif", tiff([[5, 8]], count=3), "several bands", "one band"),
        ("x.tif", tiff([[np.nan, np.nan]]), "covers no strip", "over the strips' outlines"),
        ("x.geojson", b"{", "not GeoJSON", "FeatureCollection"),
        ("x.geojson", collection(), "map is empty", "points, or plain polygons"),
        ("x.geojson", collection(feature(BOW_TIE, x=1)), "crosses itself", "export the map again"),
        ("x.geojson", collection(feature(TREATED, a=1, b=2)), "which property", "named as the file (x)"),
        ("x.geojson", collection(feature(TREATED, soil="clay")), "which property", "of numbers"),
        ("x.geojson", collection(feature(shapely.box(-97, 49, -96.9, 49.1), x=1)), "no strip", "outlines"),
        ("x.geojson", collection(feature(shapely.box(49.9, -98.2, 49.91, -98.1), x=1)), "exchanged", "first"),
        ("x.geojson", collection(feature(shapely.box(5e5, 5.5e6, 5.1e5, 5.6e6), x=1)), "not in degrees", "WGS 84"),
        ("x.geojson", collection(feature(shapely.box(10, 50, 10.1, 50.1), x=1)), "far from the farm", "near"),
    ],
)  # fmt: skip
def test_a_wrong_file_is_rejected_with_what_to_do(
    name: str, content: bytes, cause: str, expected: str
) -> None:
    found = read(name, content)
    (problem,) = found.problems
    assert problem.sheet == "ground/" + name
    assert cause in problem.cause
    assert expected in problem.expected
    assert found.frames["ground_point"].is_empty()
    assert found.frames["strip_outline"].height == 2  # the good file beside it


def test_without_outlines_there_is_nothing_to_lay_a_map_under() -> None:
    (problem,) = read("clay.geojson", collection(ONE), outlines=None).problems
    assert problem.cause == "no strip has an outline"
    assert "yieldmaps/" in problem.expected


def test_two_maps_of_one_name_are_one_too_many() -> None:
    files = {"ground/clay.geojson": collection(ONE), "ground/Clay.tif": tiff([[5, 8]])}
    found = yield_map.tables_of(files | {"strips.geojson": OUTLINES}, farm=FARM)
    assert [p.cause for p in found.problems] == ["two maps have the same name"]
    assert found.frames["ground_point"]["ground_map"].n_unique() == 1


def test_the_property_is_the_files_name_or_the_only_number() -> None:
    both = collection(feature(TREATED, id=7, clay=40))
    assert points(read("Clay (%).geojson", both), "treated")["value"][0] == 40.0
    found = read("soil.geojson", collection(feature(TREATED, name="pit", clay="40.5")))
    assert points(found, "treated")["value"][0] == 40.5


def test_without_rasterio_a_geotiff_names_the_package(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "rasterio", None)
    (problem,) = read("x.tif", b"II*\0").problems
    assert (problem.cause, problem.expected) == (
        "a GeoTIFF needs the package rasterio",
        "pip install rasterio",
    )


def test_a_tile_that_unpacks_to_gigabytes_is_not_read(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ground_maps, "MOST_PIXELS", 3)
    (problem,) = read("x.tif", tiff([[5, 8, 5, 8]])).problems
    assert problem.cause == "the map's tiles are too large"


def test_no_other_format_is_opened_that_could_name_files() -> None:
    """A virtual raster (XML) names files and addresses for its reader to open."""
    vrt = b'<VRTDataset rasterXSize="1" rasterYSize="1"><SRS>EPSG:4326</SRS></VRTDataset>'
    (problem,) = read("x.tif", vrt).problems
    assert problem.cause == "the file cannot be read as GeoTIFF"
