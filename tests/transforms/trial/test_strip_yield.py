from __future__ import annotations

from typing import Any

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from schemas import generated
from schemas.catalogue import TABLES
from schemas.compared import as_made
from tests.transforms.frames import rows, season
from transforms.trial import strip_yield
from transforms.trial.methods.market_moisture import at_market_moisture
from transforms.trial.strip_yield import MONITOR_ERROR

PLACE = {"field": "North", "season": 2021}
SEASON = rows("season", [season("2021-05-01", "2021-09-01", crop="spring wheat", **PLACE)])
CROP = rows(
    "crop",
    [
        {
            "crop": "spring wheat",
            "base_temp_c": 0.0,
            "upper_temp_c": 35.0,
            "market_moisture_pct": 14.5,
        }
    ],
)


def _pass(strip: str, number: int) -> dict[str, Any]:
    size = {"length_m": 800.0, "width_m": 9.0}
    return {**PLACE, "strip": strip, "pass": str(number), "block": str(number), **size}


def weighed(strip: str, number: int, mass: float | None, **more: Any) -> dict[str, Any]:
    """A pass of 800 m by 9 m (0.72 ha) at market moisture."""
    return {
        **_pass(strip, number),
        "method": "scale wagon",
        "mass_kg": mass,
        "moisture_pct": 14.5,
        "left_out": False,
    } | more


def mapped(strip: str, number: int, yield_: float | None, **more: Any) -> dict[str, Any]:
    return {
        **_pass(strip, number),
        "points": 400,
        "points_kept": 350,
        "yield_kg_ha": yield_,
        "yield_se_kg_ha": 30.0,
        "coverage": 0.875,
        "partial": False,
    } | more


def derive(
    booked: list[dict[str, Any]],
    points: list[dict[str, Any]] | None = None,
    season: pl.DataFrame = SEASON,
    crop: pl.DataFrame = CROP,
) -> pl.DataFrame:
    out = strip_yield.derive(
        rows("harvest_pass", booked), rows("mapped_pass", points or []), season, crop
    )
    generated.check(as_made(TABLES["strip_yield"])).validate(out)
    return out


def one(out: pl.DataFrame, **where: Any) -> dict[str, Any]:
    return out.filter(**where).row(0, named=True)


def strip(out: pl.DataFrame, side: str, method: str = "combined") -> dict[str, Any]:
    return out.filter(pl.col("pass") == "all", strip=side, method=method).row(0, named=True)


# --- the conversion ------------------------------------------------------------------------------


def shrunk(yield_: float, moisture: float, market: float) -> float:
    return pl.select(at_market_moisture(pl.lit(yield_), pl.lit(moisture), pl.lit(market))).item()


@pytest.mark.parametrize(
    ("moisture", "pounds"),
    # Pounds of shelled corn at a moisture that make a bushel of 56 lb at 15.5 %: 15.5 % 56.00,
    # 20 % 59.15, 25 % 63.09, 30 % 67.60 (Cooperative Extension tables, 47.32 lb of dry matter;
    # from memory)
    [(15.5, 56.00), (20.0, 59.15), (25.0, 63.09), (30.0, 67.60)],
)
def test_wet_pounds_that_make_a_bushel_of_corn(moisture: float, pounds: float) -> None:
    assert shrunk(pounds, moisture, 15.5) == pytest.approx(56.0, abs=0.005)


def test_shrink_by_a_point_of_moisture() -> None:
    """Pure water shrink to 15.5 % is 1.183 % a point: 100 / (100 - 15.5) (extension tables, from memory)."""
    assert 100 - shrunk(100, 16.5, 15.5) == pytest.approx(1.183, abs=0.001)


@given(
    y=st.floats(1, 20000), moisture=st.floats(0, 50), market=st.floats(5, 20), k=st.floats(0.1, 10)
)
def test_dry_matter_stays_and_yield_scales(
    y: float, moisture: float, market: float, k: float
) -> None:
    out = shrunk(y, moisture, market)
    assert out * (100 - market) == pytest.approx(y * (100 - moisture))
    assert shrunk(k * y, moisture, market) == pytest.approx(k * out)


# --- passes --------------------------------------------------------------------------------------


def test_a_weighed_pass() -> None:
    """2,880 kg from 0.72 ha is 4,000 kg/ha at 14.5 %; at 10 % it is 4,000 * 90 / 85.5."""
    out = derive([weighed("treated", 1, 2880), weighed("check", 1, 2880, moisture_pct=10.0)])
    assert one(out, strip="treated", block="1")["yield_kg_ha"] == pytest.approx(4000)
    dry = one(out, strip="check", block="1")
    assert dry["yield_kg_ha"] == pytest.approx(4000 * 90 / 85.5)
    assert dry["area_ha"] == pytest.approx(0.72)
    assert (dry["partial"], dry["reason"], dry["used"]) == (False, None, True)


def test_a_yield_as_written_and_without_moisture() -> None:
    bare = {"mass_kg": None, "length_m": None, "width_m": None}
    out = derive(
        [
            weighed("treated", 1, None, **bare | {"yield_kg_ha": 4000.0, "moisture_pct": 10.0}),
            weighed("check", 1, None, **bare | {"yield_kg_ha": 4000.0, "moisture_pct": None}),
        ]
    )
    assert one(out, strip="treated", block="1")["yield_kg_ha"] == pytest.approx(4000 * 90 / 85.5)
    unsaid = one(out, strip="check", block="1")
    assert unsaid["yield_kg_ha"] == pytest.approx(4000)
    assert unsaid["partial"]
    assert unsaid["reason"] == "moisture not given, taken as market moisture"
    assert strip(out, "check")["partial"]


@pytest.mark.parametrize(
    ("season", "crop", "why"),
    [
        (SEASON.clear(), CROP, "the season is not in the field book"),
        (SEASON, CROP.clear(), "no market moisture"),
    ],
)
def test_a_yield_that_cannot_be_made_is_null_with_its_reason(
    season: pl.DataFrame, crop: pl.DataFrame, why: str
) -> None:
    out = derive([weighed("treated", 1, 2880), weighed("check", 1, 2600)], season=season, crop=crop)
    for row in out.iter_rows(named=True):
        assert row["yield_kg_ha"] is None
        assert row["partial"]
    assert why in one(out, strip="treated", block="1")["reason"]
    assert (
        strip(out, "treated")["reason"] == "no recorded pass of this strip has a yield that counts"
    )


# --- strips --------------------------------------------------------------------------------------


def test_a_strip_of_equal_passes_is_their_mean_with_its_standard_error() -> None:
    masses = [2600.0, 2900.0, 3100.0, 2800.0]
    out = strip(
        derive([weighed("treated", n, m) for n, m in enumerate(masses)]), "treated", "scale wagon"
    )
    yields = [m / 0.72 for m in masses]
    assert out["yield_kg_ha"] == pytest.approx(sum(yields) / 4)
    assert out["yield_se_kg_ha"] == pytest.approx(stats.sem(yields))
    assert (out["passes"], out["coverage"], out["partial"]) == (4, 1.0, False)
    assert out["area_ha"] == pytest.approx(4 * 0.72)


def test_a_strip_is_total_grain_over_total_area() -> None:
    long = weighed("treated", 2, 8000.0, length_m=2400.0)
    out = strip(derive([weighed("treated", 1, 2880.0), long]), "treated")
    assert out["yield_kg_ha"] == pytest.approx((2880 + 8000) / (0.72 + 2.16))


def test_one_pass_has_the_error_of_its_measurement_and_says_so() -> None:
    out = strip(derive([weighed("treated", 1, 2880)]), "treated")
    # 1 % of mass, 0.5 % of length, 2 % of width, 0.5 points of 85.5: together 2.36 %
    assert out["yield_se_kg_ha"] == pytest.approx(4000 * 0.0236, rel=0.01)
    assert "one pass only" in out["reason"]


def test_passes_alike_by_luck_are_not_more_certain_than_their_measurement() -> None:
    out = strip(derive([weighed("treated", n, 2880) for n in (1, 2)]), "treated", "scale wagon")
    assert out["yield_se_kg_ha"] == pytest.approx(4000 * 0.0236 / 2**0.5, rel=0.01)


def test_a_pass_left_out_stands_there_and_does_not_count() -> None:
    out = derive(
        [
            weighed("treated", 1, 2880),
            weighed("treated", 2, 2880),
            weighed("treated", 3, 500, left_out=True, why_left_out="plugged"),
        ]
    )
    total = strip(out, "treated")
    assert total["yield_kg_ha"] == pytest.approx(4000)
    assert (total["passes"], total["partial"]) == (2, True)
    assert total["coverage"] == pytest.approx(2 / 3)
    assert "2 of 3 passes count" in total["reason"]
    left = one(out, block="3")
    assert (left["used"], left["reason"], left["coverage"]) == (False, "left out: plugged", 0.0)


def test_a_side_that_was_not_harvested_has_a_row_that_says_so() -> None:
    out = derive([weighed("treated", 1, 2880), weighed("treated", 2, 2900)])
    other = strip(out, "check")
    assert (other["yield_kg_ha"], other["yield_se_kg_ha"], other["passes"]) == (None, None, 0)
    assert other["reason"] == "no pass of this strip was weighed or mapped"
    assert other["crop"] == "spring wheat"


def test_a_harvested_season_without_any_pass_has_both_rows_and_a_standing_crop_none() -> None:
    assert derive([])["strip"].to_list() == ["check", "treated"]
    standing = SEASON.with_columns(harvested=pl.lit(None, pl.Date))
    assert derive([], season=standing).is_empty()


# --- both kinds of measurement -------------------------------------------------------------------

WAGON = [weighed("treated", n, m) for n, m in enumerate((2870, 2880, 2890))] + [
    weighed("check", n, m) for n, m in enumerate((2590, 2600, 2610))
]


def test_blocks_are_compared_by_the_scale_where_it_weighed_both_sides() -> None:
    points = [mapped(s, n, 3700.0) for s in ("treated", "check") for n in (1, 2)]
    out = derive(WAGON, points)
    assert out.filter("used")["method"].unique().to_list() == ["scale wagon"]
    one_sided = [p for p in WAGON if p["strip"] == "treated"]
    out = derive(one_sided, points)
    assert out.filter("used")["method"].unique().to_list() == ["yield map"]
    out = derive(one_sided)
    assert out.filter("used")["method"].unique().to_list() == ["scale wagon"]


def test_two_kinds_are_weighted_by_their_errors_alike_in_both_strips() -> None:
    points = [
        mapped(s, n, y + 20 * n)
        for s, y in (("treated", 4100.0), ("check", 3700.0))
        for n in (0, 1, 2)
    ]
    out = derive(WAGON, points)
    for side in ("treated", "check"):
        wagon, map_ = strip(out, side, "scale wagon"), strip(out, side, "yield map")
        both = strip(out, side)
        weight = (both["yield_kg_ha"] - map_["yield_kg_ha"]) / (
            wagon["yield_kg_ha"] - map_["yield_kg_ha"]
        )
        assert both["yield_se_kg_ha"] < min(wagon["yield_se_kg_ha"], map_["yield_se_kg_ha"])
        assert both["methods_disagree"] is False
        if side == "treated":
            first = weight
            variances = {
                m: sum(strip(out, s, m)["yield_se_kg_ha"] ** 2 for s in ("treated", "check"))
                for m in ("scale wagon", "yield map")
            }
            expected = variances["yield map"] / sum(variances.values())
            assert weight == pytest.approx(expected)
    assert weight == pytest.approx(first)


def test_the_monitors_calibration_is_in_the_strips_error_and_not_in_the_passes() -> None:
    points = [mapped("treated", n, 4000.0) for n in range(4)]
    out = derive([], points)
    assert one(out, block="1")["yield_se_kg_ha"] == 30
    expected = ((MONITOR_ERROR * 4000) ** 2 + 30**2 / 4) ** 0.5
    assert strip(out, "treated", "yield map")["yield_se_kg_ha"] == pytest.approx(expected)


def test_kinds_that_differ_by_more_than_their_errors_are_named() -> None:
    points = [mapped(s, n, 3300.0 + n) for s in ("treated", "check") for n in range(3)]
    out = derive(WAGON, points)
    far = strip(out, "treated")
    assert far["methods_disagree"] is True
    assert "scale wagon and yield map differ by 699 kg/ha" in far["reason"]
    assert strip(derive(WAGON), "treated")["methods_disagree"] is None


def test_passes_read_off_the_map_by_hand_stand_aside_for_its_points() -> None:
    by_hand = [
        weighed("treated", 1, 2500, method="yield map"),
        weighed("check", 1, 2500, method="yield map"),
    ]
    points = [mapped("treated", n, 4000.0) for n in (1, 2)]
    out = derive(by_hand, points)
    assert strip(out, "treated", "yield map")["yield_kg_ha"] == pytest.approx(4000)
    aside = out.filter(pl.col("pass") == "1 (book)").row(0, named=True)
    assert aside["used"] is False
    assert "points of the yield map itself" in aside["reason"]
    assert strip(out, "check", "yield map")["yield_kg_ha"] == pytest.approx(2500 / 0.72)


def test_mapped_passes_without_a_place_are_not_compared_by_block() -> None:
    points = [mapped(s, 1, 4000.0, block=None) for s in ("treated", "check")]
    assert derive([], points).filter(pl.col("pass") != "all")["used"].to_list() == [False, False]


def test_the_order_of_rows_does_not_matter() -> None:
    points = [mapped(s, n, 3700.0 + n) for s in ("treated", "check") for n in (1, 2)]
    assert derive(WAGON[::-1], points[::-1]).equals(derive(WAGON, points))


def test_empty_tables() -> None:
    out = derive([], season=SEASON.clear(), crop=CROP.clear())
    assert out.is_empty()
    assert out.schema == generated.polars_schema(as_made(TABLES["strip_yield"]))


def _both(map_blocks: int, factor: float = 0.9, **more: Any) -> pl.DataFrame:
    """Two weighed pairs of 5,000 and 4,000 kg/ha, and mapped ones that read ``factor`` times as much."""
    booked = [
        weighed(side, i, mass * 0.72)
        for side, mass in (("treated", 5000.0), ("check", 4000.0))
        for i in (1, 2)
    ]
    points = [
        mapped(side, i, factor * mass, **more)
        for side, mass in (("treated", 5000.0), ("check", 4000.0))
        for i in range(1, map_blocks + 1)
    ]
    return derive(booked, points).filter(pl.col("pass") != "all")


def test_a_map_with_more_blocks_is_compared_and_corrected_by_the_scale() -> None:
    out = _both(map_blocks=3)
    used = out.filter("used")
    assert used["method"].unique().to_list() == ["yield map"]
    assert used.height == 6
    assert used["calibration"].to_list() == pytest.approx([1 / 0.9] * 6)
    assert used.filter(strip="treated")["yield_kg_ha"].to_list() == pytest.approx([4500.0] * 3)
    assert out.filter(method="scale wagon")["calibration"].null_count() == 4


@pytest.mark.parametrize(
    ("blocks", "more"),
    [(2, {}), (3, {"block": None}), (3, {"factor": 0.7}), (3, {"factor": 1.4})],
    ids=["no more blocks", "no place", "reads far too low", "reads far too high"],
)
def test_otherwise_weighed_passes_are_compared(blocks: int, more: dict[str, Any]) -> None:
    used = _both(blocks, **more).filter("used")
    assert used["method"].unique().to_list() == ["scale wagon"]


def test_one_strip_weighed_does_not_correct_the_map() -> None:
    points = [mapped(side, i, 4500.0) for side in ("treated", "check") for i in (1, 2, 3)]
    out = derive([weighed("treated", i, 3600.0) for i in (1, 2)], points)
    used = out.filter("used")
    assert used["method"].unique().to_list() == ["yield map"]
    assert used["calibration"].null_count() == 6


def test_protein_and_test_weight_of_a_strip_are_the_means_of_its_passes_that_count() -> None:
    """Protein of 13 and 14: a mean of 13.5 with a standard error of sqrt(0.5 / 2)."""
    grain = [{"protein_pct": p, "test_weight_kg_hl": w} for p, w in ((13.0, 78.0), (14.0, 80.0))]
    booked = [weighed("treated", i, 2880.0, **one) for i, one in enumerate(grain)]
    booked += [weighed("treated", 2, 2880.0, protein_pct=30.0, left_out=True)]
    booked += [weighed("check", 0, 2880.0, **grain[0])]
    out = derive(booked, [mapped(s, 0, 4000.0) for s in ("treated", "check")])
    treated, check = strip(out, "treated"), strip(out, "check")
    assert (treated["protein_pct"], treated["test_weight_kg_hl"]) == (13.5, 79.0)
    assert treated["protein_se_pct"] == pytest.approx(0.5)
    assert (check["protein_pct"], check["protein_se_pct"]) == (13.0, None)


def test_mapped_passes_have_moisture_test_weight_and_protein_as_weighed_ones_have() -> None:
    grain = [
        {"moisture_pct": 12.0 + i, "test_weight_kg_hl": 78.0, "protein_pct": 13.0 + i}
        for i in (0, 1)
    ]
    out = derive(
        [], [mapped(s, i, 4000.0, **g) for s in ("treated", "check") for i, g in enumerate(grain)]
    )
    found = strip(out, "treated", "yield map")
    assert (found["moisture_pct"], found["test_weight_kg_hl"], found["protein_pct"]) == (
        12.5,
        78.0,
        13.5,
    )
    assert found["protein_se_pct"] == pytest.approx(0.5)
