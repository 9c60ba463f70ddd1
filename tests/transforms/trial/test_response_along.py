import numpy as np
import polars as pl
import pytest
from scipy import ndimage, stats

from tests.transforms.frames import rows
from transforms.trial import response_along
from transforms.trial.methods.ground_parts import Law

SECTIONS, SECTION_M = 40, 20.0
PASSES = pl.DataFrame({"field": ["Home"], "season": [2024], "block": ["1"]})
SEASON = rows("season", [{"field": "Home", "season": 2024, "crop": "canola"}])


def derive(found):
    return response_along.derive(found, PASSES, SEASON)


def points(gain, *, ground=0.0, turned_deg=0.0, seed=0, sections=SECTIONS):
    """A map driven along two strips, 5 points a section and side; ``gain`` by section on the treated."""
    rng = np.random.default_rng(seed)
    along = np.repeat((np.arange(sections) + 0.5) * SECTION_M, 5) - sections * SECTION_M / 2
    at = np.repeat(np.arange(sections), 5)
    land = ground * ndimage.gaussian_filter1d(rng.normal(size=sections), 1.5)
    turn = np.radians(turned_deg)
    frames = []
    for side, across in (("treated", 30.0), ("check", -30.0)):
        higher = np.asarray(gain)[at] + land[at] if side == "treated" else 0.0
        frames.append(
            pl.DataFrame(
                {
                    "field": "Home",
                    "season": 2024,
                    "strip": side,
                    "kept": True,
                    "crossed": False,
                    "east_m": along * np.sin(turn) + across * np.cos(turn),
                    "north_m": along * np.cos(turn) - across * np.sin(turn),
                    "ahead_m": along,
                    "across_m": across,
                    "border_m": SECTION_M / 2,
                    "yield_kg_ha": 3000 + higher + rng.normal(0, 30, along.size),
                }
            )
        )
    return pl.concat(frames)


def north_quarter(gain):
    return np.where(np.arange(SECTIONS) >= 30, gain, 0.0)


def test_a_response_in_one_quarter_only_differs_along_the_strips():
    out = derive(points(north_quarter(400.0), ground=60))
    assert out["verdict"].unique().to_list() == ["differs"]
    assert out["part"].to_list() == [1, 2, 3, 4]
    assert out["counted_from"].unique().to_list() == ["south"]
    assert set(out["crop"]) == {"canola"}
    assert out["response_kg_ha"].to_list() == pytest.approx([0, 0, 0, 400], abs=60)
    assert out["from_m"].to_list() == [0, 200, 400, 600]
    assert out["to_m"].to_list() == [200, 400, 600, 800]


def test_the_same_response_everywhere_is_no_difference_along_them():
    called = [
        derive(points(np.full(SECTIONS, 200.0), ground=200, seed=s))["verdict"][0]
        for s in range(40)
    ]
    assert called.count("differs") <= 5  # 2 expected


def test_intervals_hold_the_true_response_of_each_part():
    held = []
    for seed in range(40):
        out = derive(points(np.full(SECTIONS, 150.0), seed=seed))
        holds = pl.lit(150).is_between("response_low_kg_ha", "response_high_kg_ha")
        held += out.select(holds).to_series().to_list()
    assert np.mean(held) >= 0.93


@pytest.mark.parametrize(
    ("deg", "end"), [(0, "south"), (180, "south"), (90, "west"), (270, "west")]
)
def test_part_one_lies_at_the_south_or_west_end_whichever_way_the_combine_drove(deg, end):
    out = derive(points(north_quarter(400.0), turned_deg=deg))
    assert out["counted_from"].unique().to_list() == [end]
    best = out.sort("response_kg_ha")["part"][-1]
    assert best == (4 if deg in (0, 90) else 1)


def test_without_the_grounds_law_it_is_the_usual_analysis_of_variance(monkeypatch):
    monkeypatch.setattr(response_along, "OF_STRIPS", Law(0.0, 3.0))
    found = points(north_quarter(20.0))
    out = derive(found)
    section = ((pl.col("ahead_m") + 400) / SECTION_M).floor().alias("section")
    by = (
        found.group_by(section, "strip")
        .agg(pl.col("yield_kg_ha").mean())
        .pivot(on="strip", index="section", values="yield_kg_ha")
        .sort("section")
    )
    d = (by["treated"] - by["check"]).to_numpy().reshape(4, -1)
    assert out["p"][0] == pytest.approx(stats.f_oneway(*d).pvalue)


def test_the_interval_of_a_part_is_that_of_its_sections_and_the_ground_beyond_them():
    """By hand: s squared over m, times m to the power of the ground's law; t with the df of both."""
    found = points(north_quarter(100.0), ground=80)
    out = derive(found)
    section = ((pl.col("ahead_m") + 400) / SECTION_M).floor().alias("section")
    by = found.group_by(section, "strip").agg(pl.col("yield_kg_ha").mean())
    by = by.pivot(on="strip", index="section", values="yield_kg_ha").sort("section")
    d = (by["treated"] - by["check"]).to_numpy().reshape(4, -1)
    m = d.shape[1]
    own = d.var(axis=1, ddof=1).mean() / m
    ground = own * (m**0.7 - 1)
    df = 1 / (1 / (SECTIONS - 4) + (ground / (own + ground)) ** 2 / 3)
    half = stats.t.ppf(0.975, df) * np.sqrt(own + ground)
    high = out["response_high_kg_ha"] - out["response_kg_ha"]
    assert high.to_list() == pytest.approx([half] * 4)


def test_a_short_strip_has_parts_without_interval():
    out = derive(points(np.zeros(7), sections=7))
    assert out["verdict"].unique().to_list() == ["too few"]
    assert out["response_low_kg_ha"].null_count() == 4
    assert out["partial"].all()


def test_sections_with_one_side_only_make_a_part_partial():
    found = points(np.zeros(SECTIONS)).filter(
        (pl.col("strip") == "treated") | (pl.col("ahead_m").is_between(-370, -330)).not_()
    )
    out = derive(found)
    assert out["partial"].to_list() == [True, False, False, False]
    assert out["coverage"][0] == pytest.approx(10 / 13)  # three sections lack their check


def test_a_section_is_as_long_as_the_compared_ground_lies_apart():
    wide = points(north_quarter(400.0)).with_columns(border_m=pl.lit(40.0))
    out = derive(wide)
    assert out["sections"].to_list() == [3, 2, 3, 2]  # ten of 80 m
    assert out["to_m"].to_list() == [240, 400, 640, 800]


def test_passes_that_are_not_compared_tell_nothing_along_them():
    apart = PASSES.with_columns(block=pl.lit(None, pl.String))
    assert response_along.derive(points(np.full(SECTIONS, 200.0)), apart, SEASON).is_empty()


def test_no_map_gives_no_rows():
    assert derive(points(np.zeros(SECTIONS)).clear()).is_empty()
