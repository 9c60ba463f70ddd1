"""The plan's files: read back by the program's own readers, areas against the geodesic, what is rejected."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from functools import partial
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely
from pyproj import Geod

from flows.base.errors import UserError
from flows.books import yield_map
from flows.books.fieldbook import book
from flows.farm.folder import FarmFolder
from flows.farm.renames import Renames
from flows.setup.plan.plan import Plan, Wanted, as_json
from flows.setup.plan.sheet import CAUTION, sentences
from flows.setup.plan.written import make as make_all
from tests.flows.cli.calling import call
from tests.flows.setup.plan.grounds import (
    CORNERS,
    FIELD,
    FIELDS,
    PLACE,
    outline,
    planned_farm,
    wanted,
)
from tests.flows.yield_maps import collection, feature
from transforms.trial import comparison


@pytest.fixture
def farm(tmp_path: Path) -> FarmFolder:
    return planned_farm(tmp_path)


def make(folder: FarmFolder, given: Wanted) -> tuple[Plan, tuple[Path, ...]]:
    made = make_all(folder, given)
    return made.plan, made.files


@pytest.mark.parametrize("three", [False, True])
def test_the_outlines_are_taken_by_the_programs_own_reader(farm: FarmFolder, three: bool) -> None:
    plan, paths = make(farm, wanted(farm, three=three))
    text = paths[0].read_bytes()
    names = ["check", "worked once", "worked twice"] if three else ["check", "treated"]
    book = Renames({("strip", "north", name): (name, name) for name in names})
    found = yield_map.tables_of({"strips.geojson": text}, farm=PLACE, renames=book)
    assert found.problems == []
    table = found.frames["strip_outline"]
    assert sorted(table["strip"]) == [name for name in names for _ in range(4)]
    assert sorted(table["block"].unique()) == ["1", "2", "3", "4"]
    unknown = yield_map.tables_of({"strips.geojson": text}, farm=PLACE).problems
    assert len(unknown) == (8 if three else 0)
    assert all("sheet strips" in problem.expected for problem in unknown)
    content = json.loads(text)
    assert content["checkstrip_plan"]["seed"] == 11
    for one in content["features"]:  # RFC 7946, 3.1.6: the outer ring runs counterclockwise
        assert shapely.LinearRing(one["geometry"]["coordinates"][0]).is_ccw
        assert FIELD.contains(shapely.geometry.shape(one["geometry"]))
    assert plan.field == "North"


@pytest.mark.parametrize("direction", [None, 0.0, 45.0, 93.0])
def test_areas_and_widths_against_the_geodesic(farm: FarmFolder, direction: float | None) -> None:
    """WGS 84 by pyproj (Karney 2013): the strips' and the field's area within 0.1%, the width within 2 cm."""
    plan, paths = make(farm, wanted(farm, direction=direction, blocks=2))
    geod = Geod(ellps="WGS84")
    field, _ = geod.geometry_area_perimeter(shapely.geometry.polygon.orient(FIELD))
    assert plan.ground.outline.area == pytest.approx(field, rel=1e-3)
    for one, strip in zip(
        json.loads(paths[0].read_bytes())["features"], plan.layout.strips, strict=True
    ):
        shape = shapely.geometry.shape(one["geometry"])
        area, _ = geod.geometry_area_perimeter(shape)
        assert strip.width_m * strip.length_m == pytest.approx(area, rel=1e-3)
        sides = [
            geod.inv(*a, *b)[2]
            for a, b in zip(shape.exterior.coords, shape.exterior.coords[1:], strict=False)
        ]
        assert min(sides) == pytest.approx(9.144, abs=0.02)


def test_the_rows_are_taken_by_the_programs_own_field_book(farm: FarmFolder) -> None:
    _, paths = make(farm, wanted(farm, three=True, implement="30 ft"))
    found = book.tables_of(
        {
            "fields.csv": FIELDS.replace(b"South,deep tillage\n", b""),
            "strips.csv": paths[1].read_bytes(),
        }
    )
    assert found.problems == []
    rows = found.frames["strip"]
    assert rows.select("strip", "role", "against").rows() == [
        ("check", "check", None),
        ("worked once", "treated", "check"),
        ("worked twice", "treated", "check; worked once"),
    ]
    compared = comparison.derive(found.frames["field"], rows)
    assert compared.select("strip", "against", "against_role").rows() == [
        ("worked once", "check", "check"),
        ("worked twice", "check", "check"),
        ("worked twice", "worked once", "treated"),
    ]
    assert rows["width_m"].to_list() == pytest.approx([9.144] * 3)
    assert rows["randomized"].unique().to_list() == ["each block"]


def test_a_plan_made_again_keeps_its_lot(farm: FarmFolder) -> None:
    first, paths = make(farm, wanted(farm, seed=None))
    before = [path.read_bytes() for path in paths]
    again, _ = make(farm, wanted(farm, seed=None))
    assert again.seed == first.seed
    assert [path.read_bytes() for path in paths] == before
    assert make(farm, wanted(farm, seed=first.seed + 1))[0].seed == first.seed + 1


def test_however_its_name_is_written_a_field_has_one_lot(farm: FarmFolder) -> None:
    first, paths = make(farm, wanted(farm, seed=None))
    again, there = make(farm, replace(wanted(farm, seed=None), field=f" {first.field.upper()} "))
    assert (again.seed, again.field, there) == (first.seed, first.field, paths)


def test_the_sheet_begins_with_buried_utilities_and_names_every_strip(farm: FarmFolder) -> None:
    plan, paths = make(farm, wanted(farm))
    html = paths[2].read_text(encoding="utf-8")
    said = re.sub(r"<[^>]+>", " ", html[html.index("<main>") :])
    assert " ".join(said.split()).startswith(CAUTION)
    assert "811 in the US, Click Before You Dig in Canada" in CAUTION
    assert html.count("<td>check</td>") == html.count("<td>work once</td>") == 5  # and a spot each
    feet = [f"{(s.across_m - plan.corner[0]) / 0.3048:.1f}" for s in plan.layout.strips]
    assert all(f">{number}</td>" in html for number in feet)
    assert "Right, ft" in html
    assert "http" not in html.replace("http-equiv", "").replace("http://www.w3.org", "")


def test_names_are_no_markup(farm: FarmFolder) -> None:
    (farm.root / "fieldbook" / "fields.csv").write_bytes(b"field,practice\n<b>x</b>,tillage\n")
    path = outline(farm, feature(FIELD))
    _, paths = make(farm, wanted(farm, field="<b>x</b>", outline=path))
    assert "<b>x" not in paths[2].read_text(encoding="utf-8")
    assert paths[0].parent == farm.root / "plans" / "b_x_b"


def test_the_outline_of_the_farms_own_maps(farm: FarmFolder) -> None:
    """A polygon that names only its field is no part of a yield map, and plan finds it."""
    farm.yield_maps.mkdir()
    content = collection(feature(FIELD, field="north", name="quarter 1"))
    (farm.yield_maps / "fields.geojson").write_bytes(content)
    (farm.yield_maps / "broken.geojson").write_bytes(b"{")
    plan, _ = make(farm, wanted(farm, outline=None))
    assert plan.ground.outline.area == pytest.approx(596_000, rel=1e-3)
    found = yield_map.tables_of({"fields.geojson": content}, farm=PLACE)
    assert (found.problems, found.frames["yield_point"].height) == ([], 0)


def test_corners_give_the_same_plan_as_the_outline(farm: FarmFolder) -> None:
    path = farm.root.parent / "corners.csv"
    lines = ["lat,long", *(f"{y},{x}" for x, y in CORNERS)]
    path.write_text("\n".join(lines), encoding="utf-8")
    by_corners, _ = make(farm, wanted(farm, corners=path))
    assert as_json(by_corners) == as_json(make(farm, wanted(farm))[0])


def test_odd_ground_is_left_out(farm: FarmFolder) -> None:
    pond = shapely.Point(-99.9942, 50.0036).buffer(0.0008)
    path = outline(farm, feature(pond), name="odd.geojson")
    _, paths = make(farm, wanted(farm, avoid=path, blocks=6))
    for one in json.loads(paths[0].read_bytes())["features"]:
        assert not shapely.geometry.shape(one["geometry"]).intersects(pond)


BOW = shapely.Polygon([CORNERS[0], CORNERS[2], CORNERS[1], CORNERS[3]])
SWAPPED = shapely.transform(FIELD, lambda xy: xy[:, ::-1])
SMALL = shapely.box(-100.0, 50.0, -99.9995, 50.0005)
METERS = shapely.box(500000, 5538000, 500800, 5538800)


@pytest.mark.parametrize(
    ("shape", "said"),
    [
        (BOW, "the outline crosses itself.*Draw it again"),
        (SWAPPED, "degrees are exchanged.*longitude first"),
        (SMALL, "North is too small.*Check that the outline.*--headland"),
        (METERS, "not in degrees.*WGS 84"),
        (
            shapely.transform(FIELD, lambda xy: xy + np.array([0, 5])),
            "far from the farm.*correct the file",
        ),
    ],
)
def test_outlines_that_cannot_be_used(farm: FarmFolder, shape: Any, said: str) -> None:
    path = outline(farm, feature(shape, field="North"))
    with pytest.raises(UserError, match=f"(?s){said}"):
        make(farm, wanted(farm, outline=path))
    assert not (farm.root / "plans").exists()


def test_swapped_degrees_of_a_farm_without_a_place(farm: FarmFolder) -> None:
    """Ohio turned around lies by the south pole, where no degree is out of range."""
    toml = farm.farm_toml.read_text(encoding="utf-8")
    for line in ("latitude = 50\n", "longitude = -100\n", "elevation_m = 300\n"):
        toml = toml.replace(line, "")
    farm.farm_toml.write_text(toml, encoding="utf-8")
    path = outline(farm, feature(shapely.box(40.0, -83.01, 40.01, -83.0), field="North"))
    with pytest.raises(UserError, match="degrees are exchanged"):
        make(farm, wanted(farm, outline=path))


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ({"field": "West"}, "no field West .*North, South.*sheet fields"),
        ({"field": "South"}, "no outline of the field South .fields there: North.*property field"),
        ({"outline": None}, "There is no outline of the field North.*--outline.*--corners"),
        ({"header": "thirty"}, "--header thirty: expected a length such as '30 ft'"),
        ({"header": "300 ft"}, "--header 300 ft: expected 1 to 25 m"),
        ({"implement": "17.3 ft", "header": "29.9 ft", "blocks": 9}, "room for|too small"),
        ({"blocks": 20, "passes": 2}, "room for 1. blocks, not 20.*Try --blocks 1"),
        ({"blocks": 0}, "--blocks 0: expected 1 to 20"),
        ({"direction": 400.0}, "--direction 400: expected degrees"),
        ({"seed": -1}, "--seed -1: expected"),
        ({"passes": 0}, "--passes 0: expected"),
    ],
)
def test_what_cannot_be_planned(farm: FarmFolder, more: dict[str, Any], said: str) -> None:
    with pytest.raises(UserError, match=f"(?s){said}"):
        make(farm, wanted(farm, **more))
    assert not (farm.root / "plans").exists()


@pytest.mark.parametrize(
    ("content", "said"),
    [
        ("x,y\n1,2\n", "needs the columns latitude and longitude"),
        ("lat,lon\n50,-100\n50.1,east\n", "row 3: expected latitude and longitude"),
        ("lat,lon\n50,-100\n50.001,-100\n", "2 of the three or more corners"),
    ],
)
def test_corners_that_cannot_be_used(farm: FarmFolder, content: str, said: str) -> None:
    path = farm.root.parent / "corners.csv"
    path.write_text(content, encoding="utf-8")
    with pytest.raises(UserError, match=said):
        make(farm, wanted(farm, corners=path))


def test_the_command(
    farm: FarmFolder, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    run = partial(call, capsys, monkeypatch)
    words = ("plan", farm.root, "north", "--header", "30 ft", "--outline", outline(farm))
    code, out, err = run(*words, "--seed", 11)
    assert (code, err) == (0, "")
    assert out.startswith(CAUTION)
    assert "plan.html" in out
    code, out, _ = run(*words, "--json")
    found = json.loads(out)
    assert (code, found["seed"], found["field"]) == (0, 11, "North")
    assert found["strip_width_m"] == 9.144
    code, out, err = run("plan", farm.root, "West", "--header", "30 ft")
    assert (code, out) == (2, "")
    assert "no field West" in err


def test_the_sheet_says_how_to_harvest(farm: FarmFolder) -> None:
    for across, told in ((False, "Harvest along the strips: 1 pass"), (True, "Harvest across")):
        _, paths = make(farm, wanted(farm, across=across, blocks=2, direction=30.0))
        html = paths[2].read_text(encoding="utf-8")
        assert told in html
        assert "The strips run at 30.0° from north (or the opposite way).<" in html


def test_corners_in_the_field_book_give_the_same_plan_as_the_outline(farm: FarmFolder) -> None:
    lines = ["field,corner,latitude,longitude"]
    lines += [f"north,{n},{y},{x}" for n, (x, y) in reversed(list(enumerate(CORNERS, 1)))]
    sheet = farm.root / "fieldbook" / "corners.csv"
    sheet.write_text("\n".join(lines), encoding="utf-8")
    by_book, _ = make(farm, wanted(farm, outline=None))
    assert as_json(by_book) == as_json(make(farm, wanted(farm))[0])
    sheet.write_text("\n".join(lines[:3]), encoding="utf-8")
    with pytest.raises(UserError, match="sheet corners, North: 2 of the three or more corners"):
        make(farm, wanted(farm, outline=None))
    swapped = [line.replace("latitude,longitude", "longitude,latitude") for line in lines]
    sheet.write_text("\n".join(swapped), encoding="utf-8")
    with pytest.raises(
        UserError, match=r"There is no outline of the field North.*sheet corners|exchanged"
    ):
        make(farm, wanted(farm, outline=None))


def test_maps_of_the_farm_are_used_and_told(farm: FarmFolder) -> None:
    """A soil map in two halves: no block lies over its border; a harvest map that covers a corner is not used."""
    border = -99.9943
    west, south, east, north = FIELD.bounds
    halves = [
        (shapely.box(west, south, border, north), 1),
        (shapely.box(border, south, east, north), 2),
    ]
    folder = farm.root / "ground"
    folder.mkdir()
    soil = [feature(shape, soil=kind) for shape, kind in halves]
    (folder / "soil.geojson").write_bytes(collection(*soil))
    farm.yield_maps.mkdir()
    lines = [
        "latitude,longitude,yield (kg/ha)",
        *(f"50.001{n},-99.999,{3000 + n}" for n in range(9)),
    ]
    (farm.yield_maps / "north 2021.csv").write_text("\n".join(lines), encoding="utf-8")
    plan, paths = make(farm, wanted(farm, blocks=3, direction=0.0))
    found = plan.by_maps
    assert found is not None
    assert found.used.names == ("soil",)
    assert "yield of 2021 (it covers too little of the field)" in found.used.left_out
    assert found.unlike == 0.0 < found.plain
    by_block: dict[str, set[bool]] = {}
    for one in json.loads(paths[0].read_bytes())["features"]:
        shape = shapely.geometry.shape(one["geometry"])
        by_block.setdefault(one["properties"]["block"], set()).add(shape.centroid.x < border)
    assert all(len(sides) == 1 for sides in by_block.values())
    html = paths[2].read_text(encoding="utf-8")
    assert "laid by maps of the field (soil)" in html
    assert "Maps that were not used: yield of 2021" in html
    assert "Whether the yield follows these maps is not known" in html
    assert found.numbers()["counts"] == {"soil": 1.0}


def test_earlier_harvests_are_one_map_in_percent_of_each(farm: FarmFolder) -> None:
    farm.yield_maps.mkdir()
    rng = np.random.default_rng(1)
    west, south, east, north = FIELD.bounds
    for year, unit in ((2021, "kg/ha"), (2022, "bu/ac")):
        places = rng.uniform((south, west), (north, east), (9000, 2))
        high = 1 + 0.3 * (places[:, 1] > -99.9943)
        lines = [
            f"{lat:.6f},{lon:.6f},{3000 * share:.1f}"
            for (lat, lon), share in zip(places, high, strict=True)
        ]
        text = "\n".join([f"latitude,longitude,yield ({unit})", *lines])
        (farm.yield_maps / f"north {year}.csv").write_text(text, encoding="utf-8")
    plan, _ = make(farm, wanted(farm, blocks=3, direction=0.0))
    assert plan.by_maps is not None
    assert plan.by_maps.used.names == ("yield of 2021, 2022",)
    assert plan.by_maps.unlike < 0.2 * plan.by_maps.plain
    assert "may not come back in the next" in " ".join(sentences(plan))
    (farm.root / "ground").mkdir()
    for name, (low, high) in {"soil": (west, -99.9943), "stones": (west, -99.9975)}.items():
        halves = [shapely.box(low, south, high, north), shapely.box(high, south, east, north)]
        kinds = [feature(shape, **{name: kind}) for kind, shape in enumerate(halves, 1)]
        (farm.root / "ground" / f"{name}.geojson").write_bytes(collection(*kinds))
    both, _ = make(farm, wanted(farm, blocks=3, direction=0.0))
    assert both.by_maps is not None
    counts = both.by_maps.numbers()["counts"]
    assert counts["yield of 2021, 2022"] == 1.0
    assert counts["soil"] > 0.6
    assert counts["stones"] < 0.1
    assert f"explain: soil {100 * counts['soil']:.0f}%, stones" in " ".join(sentences(both))


def test_odd_ground_by_maps_without_a_harvest_shortens_the_strips_little(farm: FarmFolder) -> None:
    """Water along one end, a twentieth of each strip: more than a map may cost that may say nothing of yields."""
    west, south, east, north = FIELD.bounds
    water = north - 0.14 * (north - south)
    (farm.root / "ground").mkdir()
    rows = np.linspace(south, north, 41)
    heights = [
        feature(
            shapely.box(west, low, east, high),
            elevation=(60.0 if high > water else 0.0) + 100 + 3 * np.sin(9e4 * low),
        )
        for low, high in pairwise(rows)
    ]
    (farm.root / "ground" / "height.geojson").write_bytes(collection(*heights))
    plan, _ = make(farm, wanted(farm, blocks=3, direction=0.0))
    assert plan.by_maps is not None
    assert not plan.by_maps.odd.is_empty
    assert not plan.by_maps.left_out


def test_a_field_with_an_outline_needs_no_row_in_the_book_yet(farm: FarmFolder) -> None:
    farm.yield_maps.mkdir()
    (farm.yield_maps / "next.geojson").write_bytes(collection(feature(FIELD, field="Saltlick")))
    plan, paths = make(farm, wanted(farm, field="saltlick", outline=None))
    assert (plan.field, plan.in_book) == ("Saltlick", False)
    assert "no field Saltlick yet" in paths[2].read_text(encoding="utf-8")
    assert "yet: add a row" not in make(farm, wanted(farm))[1][2].read_text(encoding="utf-8")
