import json
from datetime import date

import numpy as np
import polars as pl
import pytest
import shapely

from demo_warehouse.simulator import book, build, crossed_map, knoll, next_field
from demo_warehouse.simulator.plan import MAPPED
from demo_warehouse.simulator.settings import crop_table
from flows.books import yield_map
from transforms.trial import mapped_pass, yield_point_cleaned


@pytest.fixture(scope="module")
def read(whole_farm):
    text = crossed_map.points(np.random.default_rng(1), whole_farm)
    files = {
        "strips.geojson": crossed_map.outlines().encode(),
        f"{MAPPED[0]} {MAPPED[1]}.csv": text.encode(),
    }
    return yield_map.tables_of(files, offset_h=-7)


def test_the_two_outlines_share_a_border_and_do_not_overlap():
    shapes = [
        shapely.from_geojson(json.dumps(f["geometry"]))
        for f in json.loads(crossed_map.outlines())["features"]
    ]
    assert all(one.is_valid for one in shapes)
    one, other = shapes
    assert one.intersection(other).area == 0
    assert one.buffer(1e-7).intersects(other)


def test_every_point_is_read(read):
    assert read.problems == []
    assert read.frames["yield_point"]["field"].unique().to_list() == [MAPPED[0]]
    assert read.frames["yield_point"].height > 3000
    assert read.frames["strip_outline"].height == 2


def test_crossings_tell_the_true_response_though_the_monitor_reads_high_and_late(read, whole_farm):
    field, year = MAPPED
    own = next(s for s in whole_farm.plan.seasons[field] if s.harvested.year == year)
    season = pl.DataFrame(
        {"field": field, "season": year, "crop": own.crop, "seeded": own.seeded}
    ).with_columns(harvested=pl.lit(own.harvested))
    cleaned = yield_point_cleaned.derive(
        read.frames["yield_point"], read.frames["strip_outline"], season, crop_table()
    )
    passes = mapped_pass.derive(cleaned)
    found = dict(passes.group_by("strip").agg(pl.col("yield_kg_ha").mean()).iter_rows())
    true = dict(
        book.true_yields(whole_farm)
        .filter(field=field, season=year)
        .select("strip", "yield_kg_ha")
        .iter_rows()
    )
    assert passes.height == 2 * 87  # a crossing every 30 ft over 2,625 ft
    assert found["check"] == pytest.approx(true["check"] * crossed_map.READS_HIGH, rel=0.02)
    gain = true["treated"] - true["check"]
    assert found["treated"] - found["check"] == pytest.approx(gain, rel=0.6)


def test_the_mapped_season_was_not_weighed(laid):
    weighed = pl.read_csv(laid / "fieldbook" / "harvest.csv", infer_schema=False)
    field, year = MAPPED
    assert weighed.filter(field=field, season=str(year)).is_empty()
    assert (laid / "yieldmaps" / f"{field} {year}.csv").exists()


def test_before_the_harvest_there_is_no_map(whole_farm):
    early = [f.path for f in build.yield_map(whole_farm, 1, date(2025, 8, 28))]
    assert early == [
        "yieldmaps/strips.geojson",
        f"yieldmaps/{next_field.NAME}.geojson",
        "ground/elevation (m).geojson",
    ]


def test_the_work_gave_more_in_the_hollow_and_the_map_of_heights_explains_it(read, whole_farm):
    """Where the response is above a whole strip's, the ground is low; the strips' means stay the true ones."""
    from flows.books import ground_maps
    from transforms.trial import response_by_ground

    norths = np.arange(0, book.LENGTH_M, 9.144)
    assert knoll.of_response(norths).mean() == pytest.approx(1)
    field, year = MAPPED
    own = next(s for s in whole_farm.plan.seasons[field] if s.harvested.year == year)
    season = pl.DataFrame(
        {"field": field, "season": year, "crop": own.crop, "seeded": own.seeded}
    ).with_columns(harvested=pl.lit(own.harvested))
    frames = read.frames
    survey = {"ground/elevation (m).geojson": knoll.survey(np.random.default_rng(2)).encode()}
    problems: list = []
    ground = ground_maps.table_of(survey, frames["strip_outline"], None, problems)
    assert problems == []
    cleaned = yield_point_cleaned.derive(
        frames["yield_point"], frames["strip_outline"], season, crop_table()
    )
    found = response_by_ground.derive(
        cleaned, frames["yield_point"], mapped_pass.derive(cleaned), ground, season
    )
    by_kind = dict(found.select("kind", "response_kg_ha").iter_rows())
    assert by_kind["low"] > by_kind["middle"] > by_kind["high"]
    assert found["response_low_kg_ha"].null_count() == 0
