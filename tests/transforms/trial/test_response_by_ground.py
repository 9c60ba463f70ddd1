"""response_by_ground: known responses on known ground, by hand, and what is not compared."""

import numpy as np
import polars as pl
import pytest
from scipy import stats

from tests.transforms.frames import rows
from transforms.trial import response_by_ground
from transforms.trial.methods.map_geometry import on_globe

MIDDLE = np.array([-98.2, 49.9])
SECTIONS, SECTION_M = 36, 20.0
PASSES = pl.DataFrame({"field": ["Home"], "season": [2024], "block": ["1"]})
SEASON = rows("season", [{"field": "Home", "season": 2024, "crop": "canola"}])
ALONG = (np.arange(SECTIONS) + 0.5) * SECTION_M
HILL = np.abs(np.arange(SECTIONS) - 17.5) < 6  # the middle third


def maps_of(ground, *, gain=0.0, seed=0, check_ground=None, noise=30.0):
    """Strips east and west of a border: the treated one yields ``gain`` more by section; the ground's grid."""
    rng = np.random.default_rng(seed)
    gains = np.broadcast_to(np.asarray(gain, dtype=float), SECTIONS)
    cleaned, places, grid = [], [], []
    for side, across in (("treated", 10.0), ("check", -10.0)):
        value = ground if side == "treated" or check_ground is None else check_ground
        for k in range(SECTIONS):
            for part in range(4):
                north = ALONG[k] - 7.5 + 5 * part
                lon, lat = on_globe(np.array([across, north]), MIDDLE)
                where = {"field": "Home", "season": 2024, "map_file": "m", "point": len(places) + 1}
                places.append(where | {"longitude_deg": lon, "latitude_deg": lat})
                here = {"east_m": across, "north_m": north, "ahead_m": north, "across_m": across}
                grain = 3000 + (gains[k] if side == "treated" else 0) + rng.normal(0, noise)
                flags = {"strip": side, "kept": True, "crossed": False, "border_m": 10.0}
                cleaned.append(where | here | flags | {"yield_kg_ha": grain})
            lon, lat = on_globe(np.array([across, ALONG[k]]), MIDDLE)
            at = {
                "field": "home",
                "strip": side,
                "part": 1,
                "ground_map": "elevation",
                "point": k + 1,
            }
            grid.append(at | {"longitude_deg": lon, "latitude_deg": lat, "value": float(value[k])})
    return (
        rows("yield_point_cleaned", cleaned),
        rows("yield_point", places),
        rows("ground_point", grid),
    )


def derive(points, places, grid, passes=PASSES):
    return response_by_ground.derive(points, places, passes, grid, SEASON)


def hill():
    return 240 + 8 * HILL + np.linspace(0, 1, SECTIONS)


def test_a_response_on_the_hill_alone_differs_by_ground():
    out = derive(*maps_of(hill(), gain=300.0 * HILL))
    assert out["verdict"].unique().to_list() == ["differs"]
    by = {row["kind"]: row for row in out.to_dicts()}
    assert by["high"]["response_kg_ha"] == pytest.approx(300, abs=25)
    assert by["low"]["response_kg_ha"] == pytest.approx(0, abs=25)
    assert by["high"]["ground_low"] > 247 > by["middle"]["ground_high"]
    assert (out["coverage"] == 1).all()
    assert not out["partial"].any()
    assert set(out["crop"]) == {"canola"}


def test_the_same_response_everywhere_is_no_difference_by_ground():
    called = [derive(*maps_of(hill(), gain=200.0, seed=s))["verdict"][0] for s in range(30)]
    assert called.count("differs") <= 4  # 1.5 expected at most


def test_intervals_hold_the_true_response_of_each_kind():
    held = []
    for seed in range(30):
        out = derive(*maps_of(hill(), gain=150.0, seed=seed))
        holds = pl.lit(150).is_between("response_low_kg_ha", "response_high_kg_ha")
        held += out.select(holds).to_series().to_list()
    assert np.mean(held) >= 0.93


def test_the_error_of_a_kind_in_two_runs_by_hand():
    """Smith's law: s squared times the sum of m^1.6 over the runs, by the square of all sections."""
    points = maps_of(np.where(HILL, 1.0, 0.0), gain=100.0 * HILL, seed=4)
    out = derive(*points)
    assert out["kind"].to_list() == ["class 0", "class 1"]
    assert out["sections"].to_list() == [24, 12]
    section = ((pl.col("ahead_m")) / SECTION_M).floor().alias("section")
    by = points[0].group_by(section, "strip").agg(pl.col("yield_kg_ha").mean())
    by = by.pivot(on="strip", index="section", values="yield_kg_ha").sort("section")
    d = (by["treated"] - by["check"]).to_numpy()
    s2 = sum(((d[k] - d[k].mean()) ** 2).sum() for k in (HILL, ~HILL)) / (SECTIONS - 2)
    factors = np.array([2 * 12**1.6 / 24**2, 12**1.6 / 12**2])  # the low ground lies on both sides
    own = s2 / np.array([24, 12])
    share = 1 - own / (s2 * factors)
    df = 1 / (1 / (SECTIONS - 2) + share**2 / 6)
    half = stats.t.ppf(0.975, df) * np.sqrt(s2 * factors)
    high = (out["response_high_kg_ha"] - out["response_kg_ha"]).to_numpy()
    assert high == pytest.approx(half)
    means = np.array([d[~HILL].mean(), d[HILL].mean()])
    middle = (means / factors).sum() / (1 / factors).sum()
    ratio = ((means - middle) ** 2 / factors).sum() / s2
    assert out["p"][0] == pytest.approx(stats.f.sf(ratio, 1, df.mean()))


def test_where_the_strips_lie_on_unlike_classes_nothing_is_compared():
    soil = np.where(HILL, 1.0, 0.0)
    other = np.where(np.arange(SECTIONS) < 6, 1.0, soil)
    out = derive(*maps_of(soil, check_ground=other, gain=50.0))
    assert out["sections"].sum() == SECTIONS - 6
    assert out["coverage"].unique().to_list() == pytest.approx([30 / 36])
    assert out["partial"].all()
    assert "unlike ground" in out["reason"][0]


def test_several_maps_count_against_each_other():
    points, places, grid = maps_of(hill(), gain=60.0 * HILL, noise=80.0)
    one = derive(points, places, grid)
    more = pl.concat([grid, grid.with_columns(ground_map=pl.lit("soil"))])
    two = derive(points, places, more)
    assert two.height == 2 * one.height
    assert two["p_adjusted"].to_list() == pytest.approx([min(1, 2 * one["p"][0])] * 6)


@pytest.mark.parametrize("case", ["no pairs", "one class", "no map", "short"])
def test_without_pairs_or_with_one_kind_of_ground_there_is_no_row(case):
    ground = np.ones(SECTIONS) if case == "one class" else hill()
    points, places, grid = maps_of(ground)
    passes = PASSES.with_columns(block=pl.lit(None, pl.String)) if case == "no pairs" else PASSES
    grid = grid.clear() if case == "no map" else grid
    if case == "short":
        points = points.filter(pl.col("ahead_m") < 5 * SECTION_M)
    assert derive(points, places, grid, passes).is_empty()


def test_few_sections_have_a_response_and_no_verdict():
    points, places, grid = maps_of(np.where(np.arange(SECTIONS) < 3, 0.0, 1.0))
    out = derive(points.filter(pl.col("ahead_m") < 7 * SECTION_M), places, grid)
    assert out["verdict"].to_list() == ["too few", "too few"]
    assert out["response_low_kg_ha"].null_count() == 2
    assert out["partial"].all()
