from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from schemas import generated
from schemas.catalogue import TABLES
from schemas.compared import as_made
from tests.transforms import invented_map
from tests.transforms.frames import rows
from transforms.trial import mapped_pass, yield_point_cleaned
from transforms.trial.mapped_pass import effective_number


def passes(points: pl.DataFrame) -> pl.DataFrame:
    cleaned = yield_point_cleaned.derive(
        points, invented_map.OUTLINES, invented_map.SEASON, invented_map.CROP
    )
    out = mapped_pass.derive(cleaned)
    generated.check(as_made(TABLES["mapped_pass"])).validate(out)
    return out


def test_passes_are_counted_from_the_border_and_pair_across_it() -> None:
    out = passes(invented_map.points(noise=0))
    for strip in ("treated", "check"):
        one = out.filter(strip=strip).sort("block")
        assert one["block"].to_list() == ["1", "2", "3", "4"]
        middles = [invented_map.WIDTH * (k + 0.5) for k in range(4)]
        assert one["border_m"].to_list() == pytest.approx(middles, abs=0.1)


def test_yields_moisture_length_and_width() -> None:
    out = passes(invented_map.points(noise=0))
    assert out.filter(strip="treated")["yield_kg_ha"].to_list() == pytest.approx([3700.0] * 4)
    assert out.filter(strip="check")["yield_kg_ha"].to_list() == pytest.approx([3400.0] * 4)
    assert out["moisture_pct"].to_list() == pytest.approx([invented_map.MOISTURE] * 8)
    assert out["width_m"].to_list() == pytest.approx([9.0] * 8)
    assert out["length_m"].to_list() == pytest.approx(
        (out["points_kept"] * 2.0).to_list(), rel=0.01
    )


def test_test_weight_and_protein_are_the_means_of_the_kept_points() -> None:
    """Points of a treated pass alternate between two values; the check strip has none."""
    two = pl.when(pl.col("point") % 2 == 0).then(12.0).otherwise(14.0)
    grown = pl.when(pl.col("longitude_deg") < invented_map.degrees(4 * invented_map.WIDTH, 0)[0])
    out = passes(
        invented_map.points(noise=0).with_columns(
            protein_pct=grown.then(two), test_weight_kg_hl=grown.then(two + 66)
        )
    )
    treated = out.filter(strip="treated")
    assert treated["protein_pct"].to_list() == pytest.approx([13.0] * 4, abs=0.05)
    assert treated["test_weight_kg_hl"].to_list() == pytest.approx([79.0] * 4, abs=0.05)
    assert out.filter(strip="check")["protein_pct"].to_list() == [None] * 4


def test_the_effect_of_the_cleaning_is_shown() -> None:
    out = passes(invented_map.points(spikes=0.05))
    truth = (
        pl.when(pl.col("strip") == "treated")
        .then(invented_map.TREATED)
        .otherwise(invented_map.CHECK)
    )
    off = out.select(
        clean=(pl.col("yield_kg_ha") - truth).abs(),
        raw=(pl.col("yield_uncleaned_kg_ha") - truth).abs(),
    )
    # a spike in twenty of three times the yield is 10 % too much
    assert off["raw"].mean() > 200
    assert off["clean"].mean() < 60
    assert out["coverage"].is_between(0.6, 1).all()


def test_the_standard_error_is_that_of_repeated_passes() -> None:
    """One pass's standard error says what pass means spread over seeds, on the safe side.

    Theory: 120 / 0.6 * sqrt((1 + 0.8) / (1 - 0.8) / 350) = 32 kg/ha before cleaning.
    """
    found = [passes(invented_map.points(seed)) for seed in range(5)]
    every = pl.concat(found)
    means = every.with_columns(
        off=pl.col("yield_kg_ha") - pl.col("yield_kg_ha").mean().over("strip")
    )["off"]
    assert 0.8 < every["yield_se_kg_ha"].mean() / means.std() < 1.6


@pytest.mark.parametrize("phi", [0.0, 0.5, 0.8])
def test_the_effective_number_of_an_autoregressive_series(phi: float) -> None:
    """Theory for a long AR(1) series: n (1 - phi) / (1 + phi)."""
    rng = np.random.default_rng(5)
    found = []
    for _ in range(40):
        series = np.zeros(400)
        for i, e in enumerate(rng.normal(size=400)):
            series[i] = phi * series[i - 1] + e if i else e
        found.append(effective_number(series))
    assert np.median(found) == pytest.approx(400 * (1 - phi) / (1 + phi), rel=0.25)


def test_an_effective_number_stays_between_one_and_all() -> None:
    assert effective_number(np.array([])) is None
    assert effective_number(np.array([5.0])) == 1
    assert effective_number(np.array([5.0, 5.0, 5.0])) == 3
    assert effective_number(np.arange(100.0)) >= 1
    assert effective_number(np.tile([1.0, -1.0], 50)) <= 100


def test_a_pass_with_few_points_left_has_no_yield_and_says_why() -> None:
    points = invented_map.points(noise=0)
    bad = pl.col("point").is_between(22, 402)
    out = passes(
        points.with_columns(pl.when(bad).then(0.2).otherwise("moisture_pct").alias("moisture_pct"))
    )
    row = out.filter(pl.col("yield_kg_ha").is_null())
    assert row.height == 1
    assert row["reason"].item().startswith("only ")
    assert row["partial"].item()
    assert row["yield_se_kg_ha"].item() is None


def test_two_maps_of_one_season_keep_their_passes_apart() -> None:
    one = invented_map.points(noise=0)
    both = pl.concat([one, one.with_columns(map_file=pl.lit("second day"))])
    out = passes(both)
    assert out.height == 16
    assert out["pass"].str.starts_with("second day ").sum() == 8


def test_blocks_that_the_outlines_name_are_compared() -> None:
    """Six rectangles over twelve passes, a block a pair; passes of a block carry its name."""
    truth = {0: 3700.0, 1: 3400.0}
    points = invented_map.driven(
        lambda east, _: truth[int(east // 18) % 2],
        [9 * (k + 0.5) for k in range(12)],
        (-20, 420),
        noise=0,
    )
    places = [("check" if k % 2 else "treated", 18 * k, 18 * k + 18, 0, 400) for k in range(6)]
    named = invented_map.outlines(*places, block=["A", "A", "B", "B", "C", "C"])
    plain = invented_map.outlines(*places)
    cleaned = [
        yield_point_cleaned.derive(points, lines, invented_map.SEASON, invented_map.CROP)
        for lines in (named, plain)
    ]
    named_passes, plain_passes = (mapped_pass.derive(c) for c in cleaned)
    for out, names in ((named_passes, {"A", "B", "C"}), (plain_passes, {"1", "2", "3"})):
        assert out["block_kind"].unique().to_list() == ["strips"]
        assert set(out["block"]) == names
        assert out.group_by("block", "strip").len()["len"].to_list() == [2] * 6
    assert set(named_passes.filter(block="A", strip="treated")["pass"]) == {"A 1", "A 2"}


def test_outlines_of_a_season_stand_for_it_alone() -> None:
    points = invented_map.points(noise=0)
    old = invented_map.outlines(
        ("treated", 0, 36, 0, 800), ("check", 36, 72, 0, 800), season=[2020, 2020]
    )
    with_old = yield_point_cleaned.derive(points, old, invented_map.SEASON, invented_map.CROP)
    assert with_old["strip"].is_null().all()
    both = pl.concat([old.with_columns(part=pl.col("part") + 9), invented_map.OUTLINES])
    out = yield_point_cleaned.derive(points, both, invented_map.SEASON, invented_map.CROP)
    assert out["strip"].equals(passes_of_all(points)["strip"])


def passes_of_all(points: pl.DataFrame) -> pl.DataFrame:
    return yield_point_cleaned.derive(
        points, invented_map.OUTLINES, invented_map.SEASON, invented_map.CROP
    )


def test_empty_tables() -> None:
    out = mapped_pass.derive(generated.empty(TABLES["yield_point_cleaned"]))
    assert out.schema == generated.polars_schema(as_made(TABLES["mapped_pass"]))
    assert out.is_empty()


@pytest.mark.parametrize(("swaths", "told_apart"), [(1, False), (2, True)])
def test_strips_each_driven_one_way_are_not_compared(swaths: int, told_apart: bool) -> None:
    """Eight passes there and back in turn: strips of one pass each alternate with them, those of two do not."""
    edges = [
        (("treated", "check")[k // swaths % 2], k * invented_map.WIDTH) for k in range(0, 8, swaths)
    ]
    outlines = rows(
        "strip_outline",
        [
            {
                "field": "North",
                "strip": strip,
                "part": part,
                "outline": invented_map.box(west, west + swaths * invented_map.WIDTH),
            }
            for part, (strip, west) in enumerate(edges, 1)
        ],
    )
    cleaned = yield_point_cleaned.derive(
        invented_map.points(noise=0), outlines, invented_map.SEASON, invented_map.CROP
    )
    out = mapped_pass.derive(cleaned)
    assert out.height == 8
    assert out["yield_kg_ha"].null_count() == 0
    assert out["block"].is_not_null().all() == told_apart
    assert out["partial"].any() != told_apart
    if not told_apart:
        assert out["block"].null_count() == 8
        assert out["reason"].str.ends_with("drive both ways in each strip").all()
