from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
import shapely
from hypothesis import example, given, settings
from hypothesis import strategies as st

from flows.base.errors import UserError
from flows.books import yield_map
from flows.books.yield_map import YieldMaps
from schemas import generated
from schemas.catalogue import TABLES
from tests.flows.yield_maps import HEAD, ROWS, SQUARE, collection, csv, feature


def read(files: dict[str, bytes], **settings_: Any) -> YieldMaps:
    out = yield_map.tables_of(files, **settings_)
    for name, frame in out.frames.items():
        generated.check(TABLES[name]).validate(frame)
    return out


def test_points_of_a_csv_with_field_and_season_in_its_name() -> None:
    found = read({"Home 2021.csv": csv()}, offset_h=-6.0)
    assert found.problems == []
    points = found.frames["yield_point"]
    assert points["field"].unique().to_list() == ["Home"]
    assert points["season"].unique().to_list() == [2021]
    assert points["yield_kg_ha"].to_list() == [3500, 3600, 3700]
    assert points["time"][0] == datetime(2021, 8, 28, 20, tzinfo=UTC)
    assert points["point"].to_list() == [1, 2, 3]


@pytest.mark.parametrize(
    ("name", "field"),
    [
        ("North_quarter-2021 wheat.csv", "North_quarter"),
        ("river bend 2021.csv", "river bend"),
        ("E\u0301lan 2021.csv", "\u00c9lan"),
    ],
)
def test_names_of_files(name: str, field: str) -> None:
    assert read({name: csv()}).frames["yield_point"]["field"][0] == field


def test_field_season_strip_and_pass_from_columns() -> None:
    head = "Field,Season,Strip,Pass,lat,lon,yield (t/ha)"
    found = read({"export.csv": csv("Home,2021,Control,7,49.9,-98.2,3.5", head=head)})
    assert found.problems == []
    row = found.frames["yield_point"].row(0, named=True)
    assert (row["field"], row["season"], row["strip"], row["pass"]) == ("Home", 2021, "check", "7")
    assert row["yield_kg_ha"] == pytest.approx(3500)


def test_customary_units_and_bushels() -> None:
    """1 bu/ac is 2.47105 bu/ha (acre of 0.40468564 ha); 1 lb/s is 0.45359 kg/s; 1 mph 1.609344 km/h."""
    head = "lat,lon,yield (bu/ac),flow (lb/s),speed (mph),swath width (ft),distance (ft)"
    row = (
        read({"Home 2021.csv": csv("49.9,-98.2,50,10,4.5,30,6.5", head=head)})
        .frames["yield_point"]
        .row(0, named=True)
    )
    assert row["yield_kg_ha"] is None
    assert row["yield_bu_ha"] == pytest.approx(50 / 0.40468564, rel=1e-6)
    assert row["flow_kg_s"] == pytest.approx(4.5359237)
    assert row["speed_km_h"] == pytest.approx(4.5 * 1.609344)
    assert row["width_m"] == pytest.approx(9.144)
    assert row["distance_m"] == pytest.approx(1.9812)


def test_decimal_commas_semicolons_and_another_encoding() -> None:
    text = (
        "Breite;Länge\nlatitude;longitude;yield (kg/ha);moisture\n49,90001;-98,20000;3500,5;13,2\n"
    )
    found = read({"Home 2021.csv": text.encode("cp1252")})
    assert found.problems == []
    row = found.frames["yield_point"].row(0, named=True)
    assert (row["latitude_deg"], row["yield_kg_ha"], row["moisture_pct"]) == (
        49.90001,
        3500.5,
        13.2,
    )


@pytest.mark.parametrize(
    "stamp",
    [
        *("2021-08-28T14:00:00Z", "2021-08-28 14:00:00", "2021-08-28T16:00:00+02:00"),
        *("28.08.2021 14:00:00", "8/28/2021 14:00:00", "28/08/2021 14:00:00"),
        "8/28/2021 2:00:00 PM",
    ],
)
def test_time_stamps(stamp: str) -> None:
    found = read({"Home 2021.csv": csv(f"{stamp},49.9,-98.2,3500,13,7,9")})
    assert found.problems == []
    assert found.frames["yield_point"]["time"][0] == datetime(2021, 8, 28, 14, tzinfo=UTC)


def test_points_and_swaths_of_geojson() -> None:
    content = collection(
        feature(shapely.Point(-98.2, 49.9), **{"yield (kg/ha)": 3500, "moisture": 13.2}),
        feature(
            shapely.box(-98.2, 49.9, -98.1999, 49.9001), **{"yield (kg/ha)": 3600, "moisture": None}
        ),
    )
    found = read({"Home 2021.geojson": content})
    assert found.problems == []
    points = found.frames["yield_point"]
    assert points["yield_kg_ha"].to_list() == [3500, 3600]
    assert points["longitude_deg"].to_list() == pytest.approx([-98.2, -98.19995])


def test_outlines_of_strips() -> None:
    content = collection(
        feature(BESIDE, Field="Home", Strip="Treated"), feature(SQUARE, field="Home", strip="ck")
    )
    found = read({"strips.geojson": content})
    assert found.problems == []
    outlines = found.frames["strip_outline"]
    assert outlines["strip"].to_list() == ["check", "treated"]
    assert shapely.from_wkt(outlines["outline"][0]).equals(SQUARE)


BESIDE = shapely.box(-98.199, 49.9, -98.198, 49.91)


@pytest.mark.parametrize(
    ("west", "season", "kept"),
    [
        (-98.19901, None, 2),  # a hundredth of the width: drawn by hand
        (-98.1995, None, 0),
        (-98.2, None, 0),
        (-98.1995, 2022, 2),  # in another season
    ],
)
def test_outlines_of_both_strips_that_cover_the_same_ground_are_rejected(
    west: float, season: int | None, kept: int
) -> None:
    treated = feature(
        shapely.box(west, 49.9, -98.198, 49.91), field="home", strip="treated", season=season
    )
    found = read(
        {"a.geojson": collection(feature(SQUARE, **CHECK)), "b.geojson": collection(treated)}
    )
    assert found.frames["strip_outline"].height == kept
    assert [p.sheet for p in found.problems] == ([] if kept else ["a.geojson", "b.geojson"])
    assert all("overlap" in p.cause and "draw them again" in p.expected for p in found.problems)


def test_rows_and_their_spacing() -> None:
    head = "lat,lon,flow (kg/s),moisture,rows,row spacing (in)"
    found = read({"Home 2021.csv": csv("49.9,-98.2,12,17,12,30", head=head)})
    assert found.problems == []
    row = found.frames["yield_point"].row(0, named=True)
    assert (row["cut_rows"], row["row_spacing_m"]) == (12, pytest.approx(0.762))
    assert row["width_m"] is None


def bow_tie() -> Any:
    return shapely.Polygon([(-98.2, 49.9), (-98.1, 50.0), (-98.1, 49.9), (-98.2, 50.0)])


def swapped(shape: Any) -> Any:
    return shapely.transform(shape, lambda p: p[:, ::-1])


CHECK = {"field": "Home", "strip": "check"}
METERS = shapely.box(500000, 5500000, 500100, 5500100)


@pytest.mark.parametrize(
    ("features", "cause", "kept"),
    [
        ([feature(SQUARE, field="Home", strip="left")], "the outline has no name", 0),
        ([feature(SQUARE, strip="check")], "the outline has no name", 0),
        ([feature(METERS, **CHECK)], "not in degrees", 0),
        ([feature(bow_tie(), **CHECK)], "crosses itself", 0),
        ([feature(SQUARE, **CHECK, season="last")], "no year", 0),
        ([feature(swapped(SQUARE), **CHECK)], "degrees are exchanged", 0),
    ],
)
def test_outlines_that_cannot_stand(features: list[dict[str, Any]], cause: str, kept: int) -> None:
    found = read({"strips.geojson": collection(*features)})
    assert len(found.problems) == 1
    assert cause in found.problems[0].cause
    assert found.frames["strip_outline"].height == kept


def test_several_polygons_of_a_strip_are_one_outline() -> None:
    """Squares of 0.001 degrees side by side, then apart: their union has the area of both."""
    beside = shapely.box(-98.199, 49.9, -98.198, 49.91)
    apart = shapely.box(-98.19, 49.9, -98.189, 49.91)
    found = read(
        {
            "a.geojson": collection(feature(SQUARE, **CHECK), feature(beside, **CHECK)),
            "b.geojson": collection(feature(apart, field="home", strip="check")),
        }
    )
    assert found.problems == []
    outline = found.frames["strip_outline"]
    assert outline.select("field", "part").rows() == [("Home", 1)]
    assert shapely.from_wkt(outline["outline"][0]).area == pytest.approx(3 * SQUARE.area)


def test_outlines_of_a_season_and_of_blocks() -> None:
    content = collection(
        feature(SQUARE, **CHECK),
        feature(SQUARE, **CHECK, season=2021, block="1"),
        feature(SQUARE, **CHECK, season=2021, block="2"),
    )
    found = read({"strips.geojson": content})
    assert found.problems == []
    assert found.frames["strip_outline"].select("part", "season", "block").rows() == [
        (1, None, None),
        (2, 2021, "1"),
        (3, 2021, "2"),
    ]


@pytest.mark.parametrize(
    ("farm", "outline", "points"),
    [
        ((-98.5, 50.0), None, None),
        ((7.1, 49.9), "far from the farm", "far from the farm"),
        ((49.9, -98.2), "degrees are exchanged", "latitude are exchanged"),
    ],
)
def test_what_lies_far_from_the_farm_is_rejected_and_says_what_to_do(
    farm: tuple[float, float], outline: str | None, points: str | None
) -> None:
    """The last farm cannot be: it only turns the question round without other data."""
    found = read(
        {"a.geojson": collection(feature(SQUARE, **CHECK)), "Home 2021.csv": csv()}, farm=farm
    )
    causes = {p.sheet: p.cause for p in found.problems}
    for name, cause in (("a.geojson", outline), ("Home 2021.csv", points)):
        assert (name in causes) == (cause is not None)
        assert cause is None or cause in causes[name]
    assert found.frames["yield_point"].height == (0 if points else 3)
    if outline and "far" in outline:
        assert "farm.toml" in found.problems[0].expected


def test_points_with_exchanged_degrees_are_rejected() -> None:
    head = HEAD.replace("latitude,longitude", "longitude,latitude")
    found = read({"Home 2021.csv": csv(head=head)})
    assert [p.cause for p in found.problems] == ["longitude and latitude are exchanged"]
    assert found.frames["yield_point"].is_empty()


@pytest.mark.parametrize(
    ("heading", "column", "per"),
    [
        ("yield (quintals/ha)", "yield_kg_ha", 100.0),
        ("yield (q/ha)", "yield_kg_ha", 100.0),
        ("yield_bu_ac", "yield_bu_ha", 2.4710538),
        ("yield_t_ha", "yield_kg_ha", 1000.0),
        ("dry yield (t/ha)", "market_yield_kg_ha", 1000.0),
        ("yield at market moisture (bu/ac)", "market_yield_bu_ha", 2.4710538),
    ],
)
def test_names_and_units_of_a_yield(heading: str, column: str, per: float) -> None:
    """1 quintal is 100 kg; 1 bu/ac is 2.47105 bu/ha (acre of 0.40468564 ha)."""
    found = read({"Home 2021.csv": csv("49.9,-98.2,50", head=f"lat,lon,{heading}")})
    assert found.problems == []
    assert found.frames["yield_point"][column].to_list() == pytest.approx([50 * per])


def test_test_weight_and_protein_of_points() -> None:
    """60 lb/bu is 77.23 kg/hL: a pound of 0.45359237 kg, a bushel of 35.23907 L."""
    head = "lat,lon,yield (t/ha),test weight (lb/bu),grain protein"
    found = read({"Home 2021.csv": csv("49.9,-98.2,3,60,13.5", "49.9,-98.2,3,600,", head=head)})
    assert found.problems == []
    points = found.frames["yield_point"]
    assert points["test_weight_kg_hl"].to_list() == [
        pytest.approx(60 * 0.45359237 / 0.3523907),
        None,
    ]
    assert points["protein_pct"].to_list() == [13.5, None]


def test_flow_seconds_and_distance() -> None:
    head = "lat,lon,mass flow (lb/s),elapsed seconds,distance (in),width (in),moisture,lag (s)"
    found = read({"Home 2021.csv": csv("49.9,-98.2,30,3,240,360,17,10", head=head)})
    assert found.problems == []
    row = found.frames["yield_point"].row(0, named=True)
    assert row["flow_kg_s"] == pytest.approx(30 * 0.45359237)
    assert (row["interval_s"], row["lag_s"]) == (3.0, 10.0)
    assert row["distance_m"] == pytest.approx(240 * 0.0254)


@pytest.mark.parametrize("heading", ["moisture,yield", "moisture,grain", "yield (L)"])
def test_a_map_without_a_usable_yield_says_which_headings_it_saw(heading: str) -> None:
    found = read({"Home 2021.csv": csv("49.9,-98.2,13,3500", head=f"latitude,longitude,{heading}")})
    last = [p for p in found.problems if p.extent == "book"]
    assert [p.cause for p in last] == ["the map has no usable yield"]
    assert f"latitude, longitude, {heading.replace(',', ', ')}" in last[0].found
    assert found.frames["yield_point"].is_empty()


NO_PLACES = "yield (kg/ha),moisture,speed (km/h)"


@pytest.mark.parametrize(
    ("name", "content", "cause"),
    [
        ("Home 2021.csv", b"nothing,of,use\n1,2,3\n", "no headings were found"),
        ("Home 2021.csv", csv("1,2,3", head=NO_PLACES), "the map has no places"),
        ("export.csv", csv(), "field and season of the map are not known"),
        ("Home 2021.geojson", b'{"type": "Feature"}', "the file is not GeoJSON"),
        ("Home 2021.geojson", b"{" * 100_000, "the file is not GeoJSON"),
        ("Home 2021.geojson", b"[" * 100_000, "the file is not GeoJSON"),
        ("Home 2021.csv", b"", "no headings were found"),
    ],
)
def test_a_file_that_is_no_map_is_one_fault_and_the_others_are_read(
    name: str, content: bytes, cause: str
) -> None:
    found = read({name: content, "River 2021.csv": csv()})
    assert [(p.sheet, p.cause) for p in found.problems] == [(name, cause)]
    assert found.frames["yield_point"]["field"].unique().to_list() == ["River"]


def test_bad_values_cost_their_own_cell_and_are_counted() -> None:
    lines = [
        *ROWS,
        "2021-08-28 14:00:03,49.90007,-98.2,no data,13,7,9",
        "2021-08-28 14:00:04,0,0,3500,13,7,9",
    ]
    found = read({"Home 2021.csv": csv(*lines)})
    assert {(p.cause, p.row, p.column) for p in found.problems} == {
        ("not a number", 5, "yield (kg/ha)"),
        ("points without a place", 6, ""),
    }
    assert found.frames["yield_point"]["yield_kg_ha"].to_list() == [3500, 3600, 3700, None]


def test_a_heading_without_a_unit_is_a_fault_and_an_unknown_column_is_none() -> None:
    head = HEAD.replace("speed (km/h)", "speed").replace("width (m)", "engine load")
    found = read({"Home 2021.csv": csv(head=head)})
    assert [(p.column, p.cause) for p in found.problems] == [("speed", "the heading names no unit")]
    assert found.frames["yield_point"]["speed_km_h"].null_count() == 3


def test_a_folder_and_a_missing_one(tmp_path: Path) -> None:
    (tmp_path / "Home 2021.csv").write_bytes(csv())
    (tmp_path / "strips.geojson").write_bytes(
        collection(feature(SQUARE, field="Home", strip="check"))
    )
    (tmp_path / "notes.docx").write_bytes(b"no map")
    found = yield_map.read(tmp_path)
    assert found.problems == []
    heights = {name: frame.height for name, frame in found.frames.items()}
    assert heights == {"strip_outline": 1, "yield_point": 3, "ground_point": 0}
    with pytest.raises(UserError, match="no yield map"):
        yield_map.read(tmp_path / "nowhere")


@settings(max_examples=40, deadline=None)
@given(
    body=st.text(max_size=60),
    value=st.recursive(
        st.none() | st.floats() | st.text(max_size=5),
        lambda c: (
            st.lists(c, max_size=3)
            | st.dictionaries(
                st.sampled_from(
                    ["type", "features", "geometry", "properties", "coordinates", "strip"]
                ),
                c,
                max_size=4,
            )
        ),
        max_leaves=8,
    ),
)
@example(body="", value={"type": None, "features": None, "geometry": {"type": ""}})
def test_no_content_raises(body: str, value: Any) -> None:
    read(
        {
            "Home 2021.csv": f"{HEAD}\n{body}".encode("utf-8", "replace"),
            "a 2021.geojson": json.dumps(value).encode(),
        }
    )
