"""Gates that are closed, and water that may rise: by hand, on three layers of 20, 20 and 40 cm."""

from __future__ import annotations

import polars as pl
import pytest

from tests.transforms import frames
from transforms.soil.methods.dry_gates import gates

LAYERS = ((10.0, 0.0, 20.0), (30.0, 20.0, 40.0), (60.0, 40.0, 80.0))


def said(
    *pct: list[float | None],
    drained: bool = True,
    texture: str | None = "clay",
    limit: float = 38.0,
) -> pl.DataFrame:
    """What gates says of layers whose water content is ``pct``, one list a layer from the top."""
    n = len(pct[0])
    layers = pl.concat(
        pl.DataFrame(
            {
                "field": ["f"] * n,
                "season": [2024] * n,
                "strip": ["check"] * n,
                "depth_cm": [depth] * n,
                "day": frames.days("2024-06-01", n),
                "storage_mm": pl.Series(
                    [None if v is None else v * (bottom - top) / 10 for v in values],
                    dtype=pl.Float64,
                ),
                "upper_limit_mm": [limit * (bottom - top) / 10] * n,
                "layer_top_cm": [top] * n,
                "layer_bottom_cm": [bottom] * n,
                "drained": [drained] * n,
                "used": [True] * n,
            }
        )
        for (depth, top, bottom), values in zip(LAYERS, pct, strict=True)
    )
    field = frames.rows("field", [{"field": "f", "soil_texture": texture, "practice": "p"}])
    return gates(layers, field)


@pytest.mark.parametrize(
    ("second", "drained", "gated", "likely"),
    [
        (35.9, True, True, True),  # 2.1 below a limit that was seen
        (36.5, True, False, True),
        (37.5, True, False, False),
        (35.9, False, False, True),  # the highest seen: it may be full there
        (34.9, False, True, True),
    ],
)
def test_a_layer_clearly_below_its_limit_is_a_closed_gate(
    second: float, drained: bool, gated: bool, likely: bool
) -> None:
    row = said([38.0] * 7, [second] * 7, [38.0] * 7, drained=drained).row(3, named=True)
    assert (row["gated"], row["likely_gated"], row["closed"]) == (gated, likely, False)


def test_what_the_layers_beneath_the_deepest_gate_fall_is_counted_and_no_more() -> None:
    falling = [38.0 - 0.1 * i for i in range(7)]
    dry = [30.0 - 0.1 * i for i in range(7)]  # what a gate itself loses went up, not down
    out = said(dry, falling, falling)  # the gate is the topmost layer
    assert out["beneath_mm"].to_list()[1:] == pytest.approx([0.6] * 6)  # 0.1 % of 600 mm
    second = said(dry, dry, falling)
    assert second["beneath_mm"].to_list()[1:] == pytest.approx([0.4] * 6)
    assert said([38.0] * 7, [38.0] * 7, dry)["beneath_mm"].to_list() == [0.0] * 7


def test_a_wet_day_opens_a_gate_for_the_days_around_it_and_a_gap_opens_none() -> None:
    wet: list[float | None] = [30.0, 30, 30, 38, 30, 30, 30]
    assert said(wet, [38.0] * 7, [38.0] * 7)["gated"].to_list() == [True, *[False] * 5, True]
    gap: list[float | None] = [30.0, 30, None, None, 30, 30, 30]
    assert said(gap, [38.0] * 7, [38.0] * 7)["gated"].all()


@pytest.mark.parametrize(
    ("deepest", "texture", "rises"),
    [
        (37.0, "clay", True),  # wet, a little below its limit, dry soil above
        (37.7, "clay", False),  # about at its limit it draws nothing from beneath
        (35.0, "clay", False),  # dry itself
        (37.0, None, True),
        (37.0, "Clay ", True),
    ],
)
def test_water_may_rise_into_a_wet_layer_beneath_dry_soil(
    deepest: float, texture: str | None, rises: bool
) -> None:
    out = said([30.0] * 7, [30.0] * 7, [deepest] * 7, texture=texture)
    assert out["rises"].to_list() == [rises] * 7
    wet_above = said([38.0] * 7, [38.0] * 7, [37.0] * 7, texture=texture)
    assert not wet_above["rises"].any()


@pytest.mark.parametrize(("texture", "rises"), [("clay", False), ("loam", True), (None, True)])
def test_a_deepest_layer_drier_than_field_capacity_draws_on_no_water_table(
    texture: str | None, rises: bool
) -> None:
    """29.2 %: below the 36 of a clay at field capacity, above the 25 of a loam (FAO-56, Table 19)."""
    out = said([20.0] * 7, [20.0] * 7, [29.2] * 7, texture=texture, limit=30.0)
    assert not out["closed"].any()
    assert out["rises"].to_list() == [rises] * 7
