"""The demo's images: small, over the outlines, and the strip that used more water is greener."""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest

pytest.importorskip("exactextract")

from demo_warehouse.simulator import crossed_map, images
from demo_warehouse.simulator.plan import FIRST, LAST, MAPPED
from flows.books.images import cut, extra, geotiff, inside
from flows.books.strip_outlines import outlines_of, table_of
from flows.books.yield_map import NO_RENAMES
from schemas.farm.images import ImageBands


@pytest.fixture(scope="module")
def taken(whole_farm):
    return list(images.files(np.random.default_rng(14), whole_farm, LAST))


def test_they_are_small_and_end_with_the_record(whole_farm, taken):
    assert 18 <= len(taken) <= 40
    assert max(len(file.content) for file in taken) < 50_000
    early = list(images.files(np.random.default_rng(14), whole_farm, date(2024, 7, 1)))
    assert 0 < len(early) < len(taken)
    assert early == taken[: len(early)]


def test_the_index_of_a_clear_day_is_that_of_the_canopy_laid(whole_farm, taken):
    """Greener by as much as the strip's crop used more water in the season than the other's."""
    import json

    import shapely

    features = [
        {"shape": shapely.geometry.shape(f["geometry"]), "properties": f["properties"]}
        for f in json.loads(crossed_map.outlines())["features"]
    ]
    found = table_of(list(outlines_of("strips", features, NO_RENAMES, None, [])))
    shapes = {row["strip"]: shapely.from_wkt(row["outline"]) for row in found.to_dicts()}
    field, _ = MAPPED
    season = next(s for s in whole_farm.plan.seasons[field] if s.harvested.year == 2024)
    days = slice((season.seeded - FIRST).days, (season.harvested - FIRST).days)
    used = {
        side: whole_farm.transpiration[days, whole_farm.plan.strip(field, side)].sum()
        for side in shapes
    }
    peaks = {side: [] for side in shapes}
    for file in taken:
        with extra.alone(), geotiff.opened(file.content) as image:
            bands = geotiff.bands_of(image, ImageBands())
            layers = {role: cut.Layer(image, band) for role, band in bands.items()}
            content = cut.clipped(layers, shapes, {})
        with extra.alone(), geotiff.opened(content) as image:
            found = inside.inside(cut.cut_of(image, ImageBands()), shapes)
        for side, one in found.items():
            if "2024-" in file.path and one.coverage == 1:
                peaks[side].append(one.vegetation_index - images.BARE)
    ratio = max(peaks["treated"]) / max(peaks["check"])
    assert ratio == pytest.approx(used["treated"] / used["check"], abs=0.06)
    assert 0.4 < max(peaks["check"]) < 0.85
