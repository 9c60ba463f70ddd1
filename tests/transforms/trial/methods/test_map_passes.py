from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from tests.transforms import invented_map
from tests.transforms.invented_map import driven, outlines
from transforms.trial import mapped_pass, yield_point_cleaned

EASTS = [invented_map.WIDTH * (k + 0.5) for k in range(12)]


def level(east: float, north: float) -> float:
    return 3700.0 if east < 54 else 3400.0


def banded(_: float, north: float) -> float:
    """Treated from 100 to 200 m north of the corner, check south of it."""
    return 3700.0 if north >= 100 else 3400.0


def clean(points: pl.DataFrame, lines: pl.DataFrame) -> pl.DataFrame:
    return yield_point_cleaned.derive(points, lines, invented_map.SEASON, invented_map.CROP)


SIDES = outlines(("treated", 0, 54, 0, 400), ("check", 54, 108, 0, 400))
BANDS = outlines(("check", 0, 270, 0, 100), ("treated", 0, 270, 100, 200))


def test_turns_inside_the_strips_make_no_passes() -> None:
    """Twelve passes with turns of nine points at each end, all inside the outlines: twelve passes."""
    points = driven(level, EASTS, (20, 380), turns=9)
    out = mapped_pass.derive(clean(points, SIDES))
    assert out.group_by("strip").len().sort("strip").rows() == [("check", 6), ("treated", 6)]
    assert not out["partial"].any()


def test_a_pass_that_a_stop_broke_is_one_pass_and_keeps_both_parts() -> None:
    points = driven(level, EASTS, (-20, 420), noise=0)
    stop = points["time"][600]
    later = pl.col("time") > stop
    broken = points.with_columns(
        time=pl.when(later).then(pl.col("time") + pl.duration(minutes=5)).otherwise("time")
    )
    whole, parts = (mapped_pass.derive(clean(p, SIDES)) for p in (points, broken))
    assert parts.height == whole.height == 12
    lost = whole["points_kept"].sum() - parts["points_kept"].sum()
    assert 0 < lost <= 20  # what the combine took to empty and fill: 6 s and 12 s


def test_strips_that_are_wider_than_long_are_driven_as_they_were_driven() -> None:
    """270 m wide and 100 m long, driven north and south along the strips: hardly anything is turning."""
    wide = outlines(("treated", 0, 270, 0, 100), ("check", 270, 540, 0, 100))
    easts = [invented_map.WIDTH * (k + 0.5) for k in range(60)]
    out = clean(driven(lambda e, _: 3700.0 if e < 270 else 3400.0, easts, (-40, 140)), wide)
    assert not out["crossed"].any()
    inside = out.filter(pl.col("strip").is_not_null())
    assert inside["kept"].mean() > 0.5
    assert (inside["removed_because"] == "turning").sum() == 0
    assert inside.filter("kept")["pass"].n_unique() == 30


def test_crossings_hold_both_strips_and_are_cut_at_the_outlines() -> None:
    easts = [invented_map.WIDTH * (k + 0.5) for k in range(30)]
    out = clean(driven(banded, easts, (-40, 240), noise=0), BANDS)
    assert out["crossed"].all()
    kept = out.filter("kept")
    assert kept.group_by("strip").agg(pl.col("pass").n_unique()).sort("strip").rows() == [
        ("check", 30),
        ("treated", 30),
    ]
    assert kept["border_m"].min() >= yield_point_cleaned.OUTLINE_M - 2
    one = kept.filter(pl.col("pass") == "7")
    assert one["strip"].n_unique() == 2
    assert one["across_m"].max() - one["across_m"].min() < 1
    passes = mapped_pass.derive(out)
    assert passes["block_kind"].unique().to_list() == ["crossings"]
    both = passes.pivot(on="strip", index="pass", values="yield_kg_ha")
    assert (both["treated"] - both["check"]).to_list() == pytest.approx([300.0] * 30)
    # 270 m of border; the parts from 15 to 60 m on each side have their middles about 75 m apart
    assert passes["block"].n_unique() == 3


def test_a_scrap_of_a_line_where_no_pass_is_belongs_to_none() -> None:
    points = driven(level, [e for e in EASTS if e != EASTS[3]], (-20, 420), noise=0)
    scrap = driven(level, [EASTS[3]], (200, 212), noise=0).with_columns(
        time=pl.lit(points["time"].max()) + pl.duration(minutes=9) + pl.duration(seconds="point"),
        point=pl.col("point") + points.height,
    )
    out = clean(pl.concat([points, scrap]), SIDES)
    last = out.filter(pl.col("point") > points.height)
    assert last["removed_because"].unique().to_list() == ["too short to be a pass"]
    assert last["pass"].null_count() == last.height


def test_two_maps_of_a_field_lie_on_one_plane() -> None:
    first = driven(level, EASTS[:6], (-20, 420), noise=0)
    second = driven(level, EASTS[6:], (-20, 420), noise=0).with_columns(map_file=pl.lit("day two"))
    out = mapped_pass.derive(clean(pl.concat([first, second]), SIDES)).sort("across_m")
    assert np.diff(out["across_m"].to_numpy()) == pytest.approx(np.full(11, 9.0), abs=0.1)
    assert out["block"].drop_nulls().n_unique() == 6
