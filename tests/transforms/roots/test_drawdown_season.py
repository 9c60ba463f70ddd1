from datetime import date
from typing import Any

import polars as pl
import pytest

from schemas import generated
from schemas.catalogue import TABLES
from tests.transforms.frames import by_key, check, days, rows, season
from transforms.roots import drawdown_season

N = 100
SEASON = season("2024-04-20", "2024-08-08", "2024-05-01")
UPTAKE = {
    ("treated", 10.0): 1.0,
    ("treated", 30.0): 1.0,
    ("check", 10.0): 1.5,
    ("check", 30.0): 0.5,
}


def drawdown(
    uptake: dict[tuple[str, float], float], gaps: dict[tuple[str, float], range] | None = None
) -> pl.DataFrame:
    """A constant uptake a day from emergence for a hundred days; ``gaps`` are days without."""
    items: list[dict[str, Any]] = []
    for key, value in uptake.items():
        for i, day in enumerate(days("2024-05-01", N)):
            none = i in (gaps or {}).get(key, range(0))
            items.append(
                {
                    "strip": key[0],
                    "probe": key[0],
                    "depth_cm": key[1],
                    "day": day,
                    "uptake_mm": None if none else value,
                    "uptake_error_mm": None if none else 0.2,
                    "method": None if none else "day-night",
                    "partial": none,
                }
            )
    shared = {"field": "f", "season": 2024, "layer_thickness_cm": 20.0, "both_strips": True}
    return rows("drawdown_day", items, **shared)


def derived(frame: pl.DataFrame, **season: Any) -> dict[Any, dict[str, Any]]:
    water = rows(
        "soil_water_day",
        [
            {
                "probe": s,
                "strip": s,
                "depth_cm": d,
                "layer_top_cm": d - 10,
                "layer_bottom_cm": d + 10,
            }
            for s in ("treated", "check")
            for d in (10.0, 30.0)
        ],
        day=date(2024, 5, 1),
        field="f",
    )
    result = drawdown_season.derive(frame, water, rows("season", [{**SEASON, **season}]))
    check(result, "drawdown_season")
    return by_key(result, "drawdown_season")


def test_sums_shares_and_errors_of_a_whole_season() -> None:
    found = derived(drawdown(UPTAKE))
    treated, checked = found["f", 2024, "treated", 30.0], found["f", 2024, "check", 30.0]
    assert treated["uptake_mm"] == pytest.approx(100)
    assert treated["uptake_share"] == pytest.approx(0.5)
    assert checked["uptake_share"] == pytest.approx(0.25)
    assert treated["uptake_error_mm"] == pytest.approx(0.2 * N**0.5)
    assert treated["coverage"] == 1.0
    assert not treated["partial"]
    assert treated["reason"] is None
    assert (treated["layer_top_cm"], treated["layer_bottom_cm"]) == (20.0, 40.0)


def test_days_of_one_strip_alone_are_not_counted() -> None:
    found = derived(drawdown(UPTAKE, {("treated", 10.0): range(40)}))
    for strip in ("treated", "check"):
        row = found["f", 2024, strip, 10.0]
        assert row["days"] == 60
        assert row["uptake_mm"] == pytest.approx(60 * UPTAKE[strip, 10.0])
        assert row["coverage"] == pytest.approx(0.6)
        assert row["partial"]
        assert "60 of 100 days" in row["reason"]
        # numbers shown together are of the same days
        assert found["f", 2024, strip, 30.0]["days"] == 60
        assert found["f", 2024, strip, 30.0]["days_share"] == 60
    assert found["f", 2024, "check", 30.0]["uptake_share"] == pytest.approx(0.25)


def test_shares_are_made_from_the_sums_beside_them_and_are_one_together() -> None:
    found = derived(
        drawdown(UPTAKE, {("treated", 10.0): range(20), ("check", 30.0): range(15, 35)})
    )
    for strip in ("treated", "check"):
        rows_of = [found["f", 2024, strip, depth] for depth in (10.0, 30.0)]
        total = sum(row["uptake_mm"] for row in rows_of)
        for row in rows_of:
            assert row["uptake_share"] == pytest.approx(row["uptake_mm"] / total)
        assert len({(row["days"], row["first_day"], row["last_day"]) for row in rows_of}) == 1


def test_a_topmost_depth_that_drops_out_is_named_where_the_others_are_one() -> None:
    found = derived(drawdown(UPTAKE, {("treated", 10.0): range(60)}))
    top, other = found["f", 2024, "check", 10.0], found["f", 2024, "check", 30.0]
    assert top["uptake_share"] is None
    assert top["days"] == 40
    assert other["uptake_share"] == 1.0
    assert other["days"] == 100
    assert other["partial"]
    assert "without 10 cm" in other["reason"]


def test_a_dead_depth_is_null_with_a_reason_and_leaves_the_shares_of_the_others() -> None:
    found = derived(drawdown(UPTAKE, {("treated", 10.0): range(N)}))
    dead, other = found["f", 2024, "treated", 10.0], found["f", 2024, "check", 10.0]
    assert dead["uptake_mm"] is None
    assert dead["uptake_share"] is None
    assert "no day with an uptake" in dead["reason"]
    assert other["uptake_mm"] is None
    assert "both strips" in other["reason"]
    assert found["f", 2024, "treated", 30.0]["uptake_share"] == 1.0


def test_too_little_uptake_gives_no_share() -> None:
    found = derived(drawdown(dict.fromkeys(UPTAKE, 0.01)))
    row = found["f", 2024, "treated", 30.0]
    assert row["uptake_mm"] == pytest.approx(1.0)
    assert row["uptake_share"] is None
    assert row["partial"]


def test_counts_from_emergence_and_says_that_the_crop_still_stands() -> None:
    row = derived(drawdown(UPTAKE), emerged=date(2024, 5, 11), harvested=None)[
        "f", 2024, "check", 10.0
    ]
    assert row["days"] == row["days_season"] == 90
    assert row["partial"]
    assert "still stands" in row["reason"]


def test_empty() -> None:
    names = ("drawdown_day", "soil_water_day", "season")
    check(drawdown_season.derive(*(generated.empty(TABLES[n]) for n in names)), "drawdown_season")


def test_evaporation_taken_off_is_summed_and_what_is_not_is_named() -> None:
    frame = drawdown(UPTAKE)
    surface = pl.col("depth_cm") == 10
    nothing = derived(frame)
    assert {row["evaporation_mm"] for row in nothing.values()} == {None}
    balance = frame.with_columns(
        method=pl.when(surface).then(pl.lit("balance")).otherwise("method")
    )
    some = pl.when(surface & (pl.col("day") > date(2024, 5, 10))).then(0.5)
    rows = derived(balance.with_columns(evaporation_mm=some))
    top = rows["f", 2024, "treated", 10.0]
    assert top["evaporation_mm"] == pytest.approx(0.5 * 90)
    assert "days with evaporation from the soil in the sum: 10" in top["reason"]
    assert rows["f", 2024, "treated", 30.0]["evaporation_mm"] is None
    whole = derived(balance.with_columns(evaporation_mm=pl.when(surface).then(0.5)))
    assert "evaporation" not in (whole["f", 2024, "treated", 10.0]["reason"] or "")
