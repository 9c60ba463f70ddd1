"""Bands of items: by the published specification, and in the ways in which services were seen to write them.

The items are invented and small. How services write (names, offsets, addresses) was seen in recorded answers of
public catalogs in the tests of pystac-client (2025) and odc-stac; no file of theirs is here.
"""

from __future__ import annotations

from typing import Any

import pytest

from flows.intake.sources.stac_bands import as_reflectance, band_named, first_named
from flows.intake.sources.stac_search import item_of
from tests.flows.intake.sources.stac_items import PAGE, item

# best-practices.md, band migration: what 1.0 says in two lists, and what is the same for all bands.
OF_1_0 = {
    "href": "example.tif",
    "eo:bands": [{"name": "r", "common_name": "red"}, {"name": "nir", "common_name": "nir"}],
    "raster:bands": [{"scale": 0.0001, "offset": -0.1, "nodata": 0}, {"scale": 0.0002}],
}
OF_1_1 = {
    "href": "example.tif",
    "raster:scale": 0.0001,
    "bands": [
        {"name": "r", "eo:common_name": "red", "raster:offset": -0.1, "nodata": 0},
        {"name": "nir", "eo:common_name": "nir", "raster:scale": 0.0002},
    ],
}


@pytest.mark.parametrize(
    ("name", "role", "expected"),
    [
        ("red", "red", ("a.tif", 3)),
        ("nir", "nir", ("a.tif", 4)),
        ("analytic", "nir", ("a.tif", 4)),
        ("analytic:band2", "red", ("a.tif", 2)),
        ("analytic:1", "red", ("a.tif", 1)),
        ("visual:red", "red", ("v.tif", 1)),
        ("udm", "", ("a_udm.tif", 1)),
        ("analytic:band9", "red", None),
        ("swir16", "red", None),
    ],
)
def test_bands_by_asset_by_name_and_by_common_name(name, role, expected) -> None:
    found = band_named(item(), name, (role,))
    got = found and (found.href.rpartition("/")[2], found.band)
    assert got == expected


@pytest.mark.parametrize("asset", [OF_1_0, OF_1_1])
def test_scale_and_offset_by_both_versions_of_the_specification(asset) -> None:
    made = item(assets={"all": asset})
    red, nir = (band_named(made, name, (name,)) for name in ("red", "nir"))
    assert (red.band, red.scale, red.offset, red.nodata) == (1, 0.0001, -0.1, 0)
    assert (nir.band, nir.scale, nir.offset, nir.nodata) == (2, 0.0002, None, None)


def of_service(properties: dict[str, Any], **assets: dict[str, Any]) -> Any:
    """An item with red and near infrared as one service or another has them."""
    feature = {"id": "A", "assets": assets, "properties": {"datetime": "2025-07-01T17:00:00Z"}}
    return item_of({**feature, "properties": feature["properties"] | properties}, PAGE)


def asset(href: str = "b04.tif", **more: Any) -> dict[str, Any]:
    return {"href": href, "eo:bands": [{"name": "B4", "common_name": "red"}], **more}


STATED = [{"nodata": 0, "scale": 0.0001, "offset": -0.1}]


@pytest.mark.parametrize(
    ("properties", "said", "offset"),
    [
        ({"s2:processing_baseline": "05.11"}, STATED, -0.1),
        ({"s2:processing_baseline": "05.11", "earthsearch:boa_offset_applied": True}, STATED, 0.0),
        (
            {"s2:processing_baseline": "04.00", "earthsearch:boa_offset_applied": False},
            STATED,
            -0.1,
        ),
        ({"sentinel:processing_baseline": "05.11", "sentinel:boa_offset_applied": True}, None, 0.0),
        ({"s2:processing_baseline": "02.12"}, None, 0.0),
        ({"s2:processing_baseline": "03.01"}, None, 0.0),
        ({"s2:processing_baseline": "04.00"}, None, -1000.0),
        ({"s2:processing_baseline": "05.11"}, [{"scale": 0.0001}], -0.1),
        ({"s2:processing_baseline": "N0511"}, None, None),
        ({}, [{"scale": 2.75e-05, "offset": -0.2}], -0.2),
        ({}, None, None),
    ],
)
def test_the_offset_by_band_by_property_and_by_baseline(properties, said, offset) -> None:
    """Of one catalog the stated offset counts, of another it is in the file already, of a third none is stated."""
    made = of_service(properties, red=asset(**({"raster:bands": said} if said else {})))
    found = as_reflectance(made, band_named(made, "red", ("red",)))
    assert found.offset == pytest.approx(offset)


def test_near_infrared_by_either_of_its_common_names() -> None:
    """A satellite of 30 m pixels has nir08; one of 10 m has both, and nir is the finer."""
    only = of_service({}, nir08={"href": "b5.tif", "eo:bands": [{"common_name": "nir08"}]})
    assert first_named(only, ("nir", "nir08")).href == "b5.tif"
    both = of_service(
        {},
        nir08={"href": "b8a.tif", "eo:bands": [{"common_name": "nir08"}]},
        nir={"href": "b08.tif", "eo:bands": [{"common_name": "nir"}]},
    )
    assert first_named(both, ("nir", "nir08")).href == "b08.tif"
    assert first_named(of_service({}, red=asset()), ("nir", "nir08")) is None


def test_of_several_files_with_one_band_the_finest_geotiff_with_data_is_taken() -> None:
    kinds = {"type": "image/tiff; application=geotiff; profile=cloud-optimized", "roles": ["data"]}
    made = of_service(
        {},
        a=asset("look.png", roles=["overview"]),
        b=asset("b04.jp2", type="image/jp2", roles=["data"], gsd=10),
        c=asset("b04_20m.tif", gsd=20, **kinds),
        d=asset("b04_10m.tif", gsd=10, **kinds),
    )
    assert band_named(made, "red", ("red",)).href == "b04_10m.tif"


def test_another_address_of_the_same_file_is_taken_if_the_first_cannot_be_read() -> None:
    other = {"https": {"href": "https://example.com/b4.tif"}, "odd": 7}
    made = of_service({}, red=asset("s3://bucket/b4.tif", alternate=other))
    assert band_named(made, "red", ("red",)).href == "https://example.com/b4.tif"
    kept = of_service(
        {}, red=asset("https://example.com/b4.tif", alternate={"s3": {"href": "s3://b/c"}})
    )
    assert band_named(kept, "red", ("red",)).href == "https://example.com/b4.tif"
    none = of_service({}, red=asset("s3://bucket/b4.tif"))
    assert band_named(none, "red", ("red",)).href == "s3://bucket/b4.tif"
