from __future__ import annotations

from datetime import timedelta

import polars as pl
import pytest

from schemas import generated
from schemas.catalogue import TABLES
from tests.transforms import invented_map
from tests.transforms.frames import rows
from transforms.trial import yield_point_cleaned

NONE = {n: generated.empty(TABLES[n]) for n in ("yield_point", "strip_outline", "season", "crop")}


def clean(points: pl.DataFrame, outlines: pl.DataFrame = invented_map.OUTLINES) -> pl.DataFrame:
    out = yield_point_cleaned.derive(points, outlines, invented_map.SEASON, invented_map.CROP)
    generated.check(TABLES["yield_point_cleaned"]).validate(out)
    return out


def change(points: pl.DataFrame, where: pl.Expr, **values: pl.Expr | float | None) -> pl.DataFrame:
    return points.with_columns(
        pl.when(where)
        .then(v if isinstance(v, pl.Expr) else pl.lit(v))
        .otherwise(pl.col(k))
        .alias(k)
        for k, v in values.items()
    )


# a stretch in the middle of the third pass
HERE = pl.col("point").is_between(1060, 1066)


def reasons(points: pl.DataFrame, where: pl.Expr = HERE) -> list[str | None]:
    return clean(points).filter(where)["removed_because"].unique().to_list()


def test_points_find_their_strip_and_pass_and_market_moisture() -> None:
    out = clean(invented_map.points(noise=0))
    kept = out.filter("kept")
    assert kept.group_by("strip").agg(pl.col("pass").n_unique()).sort("strip").rows() == [
        ("check", 4),
        ("treated", 4),
    ]
    treated = kept.filter(strip="treated")
    # 13.0 % brought to 14.5 %: the map was written with the inverse of this
    assert treated["yield_kg_ha"].to_list() == pytest.approx([invented_map.TREATED] * len(treated))
    assert kept["border_m"].max() == pytest.approx(3.5 * invented_map.WIDTH, abs=0.5)
    assert kept["border_m"].min() == pytest.approx(0.5 * invented_map.WIDTH, abs=0.5)


def test_every_point_is_there_once_and_kept_or_removed_with_a_reason() -> None:
    points = invented_map.points(spikes=0.01)
    out = clean(points)
    assert out.height == points.height
    assert out.filter(pl.col("kept") != pl.col("removed_because").is_null()).is_empty()


@pytest.mark.parametrize(
    ("values", "reason"),
    [
        ({"yield_kg_ha": None}, "no yield"),
        ({"moisture_pct": 0.13}, "moisture no grain has"),
        ({"yield_kg_ha": 0.0}, "yield beyond what the crop can bear"),
        ({"yield_kg_ha": 36000.0}, "yield beyond what the crop can bear"),
        ({"width_m": 4.0}, "narrow swath"),
        ({"speed_km_h": 0.4}, "too slow or too fast"),
        ({"speed_km_h": 30.0}, "too slow or too fast"),
        ({"yield_kg_ha": 8000.0}, "yield more than 3 standard deviations from the strip's mean"),
    ],
)
def test_each_fault_is_removed_by_its_rule(values: dict[str, float | None], reason: str) -> None:
    assert reasons(change(invented_map.points(), HERE, **values)) == [reason]


def test_rows_and_their_spacing_give_the_width() -> None:
    """Twelve rows of 30 inches are 30 feet (an inch is 25.4 mm); a width as written stands."""
    points = invented_map.points().with_columns(cut_rows=pl.lit(12.0), row_spacing_m=pl.lit(0.762))
    none = pl.lit(None, pl.Float64)
    assert set(clean(points.with_columns(width_m=none))["width_m"]) == {12 * 0.762}
    assert set(clean(points)["width_m"]) == {invented_map.WIDTH}


def test_a_change_of_speed_costs_the_points_where_it_happens() -> None:
    out = clean(change(invented_map.points(noise=0), HERE, speed_km_h=5.0))
    found = out.filter(removed_because="speed changes")["point"].to_list()
    assert found == [1060, 1067]


def test_a_dip_that_no_neighbour_has_is_a_local_outlier() -> None:
    points = change(invented_map.points(noise=20), pl.col("point") == 1060, yield_kg_ha=3550.0)
    out = clean(points)
    assert out.filter(pl.col("point") == 1060)["removed_because"].item() in (
        "unlike the points near it",
        "yield more than 3 standard deviations from the strip's mean",
    )


def test_a_real_poor_patch_stays() -> None:
    """A third less over 80 m of every pass, by degrees: likes stand beside likes, so it is no outlier."""
    north = (pl.col("latitude_deg") - invented_map.LATITUDE) * invented_map.M_A_DEGREE[1]
    dip = 1 - ((400 - north).abs() < 80).cast(pl.Float64) * (1 - (400 - north).abs() / 80) / 3
    points = invented_map.points(noise=20)
    out = clean(points.with_columns(yield_kg_ha=pl.col("yield_kg_ha") * dip))
    heart = points.filter((400 - north).abs() < 20)["point"]
    middle = out.filter(pl.col("point").is_in(heart.to_list()))
    assert middle.height >= 8 * 19
    assert middle["kept"].mean() > 0.9


def test_start_and_end_of_a_pass_by_the_clock_and_without_one() -> None:
    timed = clean(invented_map.points(noise=0))
    counts = dict(timed["removed_because"].value_counts().iter_rows())
    # a point a second: 12 and 6 of each of 8 passes, less those at the outline's edge
    assert 8 * 9 <= counts["start of the pass"] <= 8 * 12
    assert 8 * 3 <= counts["end of the pass"] <= 8 * 6
    untimed = clean(
        invented_map.points(noise=0).with_columns(time=pl.lit(None, pl.Datetime("us", "UTC")))
    )
    counts = dict(untimed["removed_because"].value_counts().iter_rows())
    assert 8 * 7 <= counts["start of the pass"] <= 8 * 11  # 20 m of 2 m each
    assert counts["end of the pass"] >= 8 * 2


def test_a_swath_that_reaches_over_the_border_belongs_to_neither_strip() -> None:
    points = invented_map.points(noise=0)
    shift = 4.0 / invented_map.M_A_DEGREE[0]
    moved = points.with_columns(longitude_deg=pl.col("longitude_deg") + shift)
    out = clean(moved)
    over = out.filter(pl.col("removed_because") == "the swath reaches over the strip's edge")
    assert set(over["strip"]) == {"treated", "check"}
    assert out.filter("kept")["edge_m"].min() > 0.3 * invented_map.WIDTH - 0.01


def test_passes_change_with_the_direction_even_without_a_gap() -> None:
    points = invented_map.points(noise=0).filter(pl.col("point") <= 860)
    inside = pl.col("latitude_deg").is_between(
        invented_map.degrees(0, 1)[1], invented_map.degrees(0, invented_map.LENGTH - 1)[1]
    )
    start = points["time"][0]
    points = points.filter(inside).with_columns(
        time=pl.lit(start) + pl.int_range(pl.len()) * timedelta(seconds=1)
    )
    out = clean(points)
    assert out.filter("kept")["pass"].n_unique() == 2


def test_without_outlines_the_strip_is_what_the_export_says() -> None:
    points = invented_map.points(noise=0).with_columns(
        strip=pl.when(pl.col("point") <= 4 * 430).then(pl.lit("treated")).otherwise(pl.lit("check"))
    )
    out = clean(points, NONE["strip_outline"])
    assert set(out.filter("kept")["strip"]) == {"treated", "check"}
    assert out.filter("kept")["border_m"].min() == pytest.approx(invented_map.WIDTH, abs=0.6)
    nothing = clean(invented_map.points(noise=0), NONE["strip_outline"])
    assert nothing["removed_because"].unique().to_list() == ["outside both strips"]


def test_yield_from_flow_speed_and_width() -> None:
    """4 kg/s at 7.2 km/h (2 m/s) and 9 m: 4 / 18 kg/m2 = 2222.2 kg/ha wet."""
    points = change(
        invented_map.points(noise=0),
        pl.lit(True),
        yield_kg_ha=pl.lit(None, pl.Float64),
        flow_kg_s=4.0,
    )
    out = clean(points).filter("kept")
    expected = 4 / 18 * 10_000 * (100 - 13) / (100 - 14.5)
    assert out["yield_kg_ha"].to_list() == pytest.approx([expected] * out.height)


def test_yield_from_flow_seconds_distance_and_width() -> None:
    """4 kg/s for 3 s over 6 m x 9 m: 12 / 54 kg/m2 = 2222.2 kg/ha wet; no speed is needed."""
    points = change(
        invented_map.points(noise=0),
        pl.lit(True),
        yield_kg_ha=pl.lit(None, pl.Float64),
        speed_km_h=pl.lit(None, pl.Float64),
        flow_kg_s=4.0,
        interval_s=3.0,
        distance_m=6.0,
    )
    out = clean(points).filter("kept")
    expected = 12 / 54 * 10_000 * (100 - 13) / (100 - 14.5)
    assert out["yield_kg_ha"].to_list() == pytest.approx([expected] * out.height)


@pytest.mark.parametrize("moisture", [13.0, None])
def test_a_yield_at_market_moisture_stands_as_written(moisture: float | None) -> None:
    points = change(
        invented_map.points(noise=0),
        pl.lit(True),
        yield_kg_ha=pl.lit(None, pl.Float64),
        market_yield_kg_ha=pl.lit(3500.0),
        moisture_pct=pl.lit(moisture, pl.Float64),
    )
    out = clean(points).filter("kept")
    assert out["yield_kg_ha"].unique().to_list() == [3500.0]
    assert not out["partial"].any()
    assert out["reason"].is_null().all()


def test_bushels_by_the_crop_and_a_crop_that_is_not_known() -> None:
    points = invented_map.points(noise=0).with_columns(
        yield_kg_ha=pl.lit(None, pl.Float64), yield_bu_ha=pl.lit(100.0), moisture_pct=pl.lit(14.5)
    )
    out = clean(points).filter("kept")
    assert out["yield_kg_ha"].unique().to_list() == pytest.approx([2721.554])
    unknown = yield_point_cleaned.derive(
        points, invented_map.OUTLINES, NONE["season"], NONE["crop"]
    )
    assert unknown["kept"].any() is False
    assert "not known" in unknown["reason"][0]


def test_names_of_fields_are_those_of_the_field_book() -> None:
    points = invented_map.points(noise=0).with_columns(field=pl.lit(" NORTH"))
    outlines = invented_map.OUTLINES.with_columns(field=pl.lit("north"))
    out = clean(points, outlines)
    assert out["field"].unique().to_list() == ["North"]
    assert out["kept"].any()


def test_cleaning_both_strips_apart_does_not_shrink_the_response() -> None:
    """Truth 300 kg/ha; over seeds with spikes the kept points give it back without bias."""
    gaps = []
    for seed in range(6):
        kept = clean(invented_map.points(seed, spikes=0.02)).filter("kept")
        mean = dict(kept.group_by("strip").agg(pl.col("yield_kg_ha").mean()).iter_rows())
        gaps.append(mean["treated"] - mean["check"])
    # one gap has a standard error near 25 kg/ha (8 passes of about 45 independent points)
    assert sum(gaps) / len(gaps) == pytest.approx(300, abs=35)


def test_the_order_of_rows_does_not_matter() -> None:
    points = invented_map.points(spikes=0.01)
    assert clean(points.sample(fraction=1, shuffle=True, seed=4)).equals(clean(points))


def test_empty_tables() -> None:
    out = yield_point_cleaned.derive(**NONE)
    assert out.schema == generated.polars_schema(TABLES["yield_point_cleaned"])
    assert out.is_empty()


def test_one_point_alone() -> None:
    point = rows("yield_point", [invented_map.points(noise=0).row(100, named=True)])
    assert clean(point).height == 1
