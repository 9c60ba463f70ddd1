"""between_crops_day: sums since a harvest by hand, no later day in a row, partial with its reason."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import polars as pl
from hypothesis import given, settings
from hypothesis import strategies as st

from schemas.cautions import WORKING
from tests.transforms.frames import by_key, check, rows
from transforms.soil import between_crops_day

HARVESTED = date(2024, 8, 20)
SEASONS = rows(
    "season",
    [
        {"season": 2023, "seeded": date(2023, 5, 5), "harvested": date(2023, 8, 25)},
        {"season": 2024, "seeded": date(2024, 5, 5), "harvested": HARVESTED},
        {"season": 2025, "seeded": date(2025, 5, 5)},
    ],
    field="Home",
    crop="spring wheat",
)


def days(first: date, number: int) -> list[date]:
    return [first + timedelta(days=i) for i in range(number)]


def tables(number: int = 30) -> dict[str, pl.DataFrame]:
    """2 mm of rain a day against 1.5 mm; soil from 0.30 up by 0.01 a day, friable from 0.40 on."""
    span = days(HARVESTED - timedelta(days=5), number + 6)
    share = [0.25 + 0.01 * i for i in range(len(span))]
    water = [
        {"strip": strip, "day": day, "water_mm": level + step * i}
        for strip, level, step in (("treated", 300.0, 1.0), ("check", 310.0, 0.5))
        for i, day in enumerate(span)
    ]
    seedings = [
        {"strip": "check", "day": date(year, 5, 1), "water_mm": mm}
        for year, mm in ((2023, 380.0), (2024, 400.0))
    ]
    return {
        "season": SEASONS,
        "rain_day": rows(
            "rain_day",
            [{"day": day} for day in span],
            field="Home",
            strip="check",
            station="north",
            rain_mm=2.0,
            normal_recorded_mm=1.5,
            rain_coverage=1.0,
        ),
        "working_window": rows(
            "working_window",
            [
                {"day": day, "available_water_share": s}
                | {"state": "friable" if s > 0.395 else "drier than friable"}
                for day, s in zip(span, share, strict=True)
            ],
            field="Home",
            strip="check",
            working_depth_cm=40.0,
        ),
        "profile_water_day": rows(
            "profile_water_day", water + seedings, field="Home", depths="10, 30"
        ),
    }


def derive(**given_: pl.DataFrame) -> dict[Any, dict[str, Any]]:
    out = between_crops_day.derive(**{**tables(), **given_})
    check(out, "between_crops_day")
    return {key[1]: row for key, row in by_key(out, "between_crops_day").items()}


def test_ten_days_by_hand() -> None:
    row = derive()[HARVESTED + timedelta(days=10)]
    assert (row["rain_mm"], row["normal_recorded_mm"], row["departure_mm"]) == (20.0, 15.0, 5.0)
    # shares of the ten days: 0.31 to 0.40, of which the last is friable; a week before it was 0.33
    assert (row["friable_d"], row["judged_d"]) == (1, 10)
    assert abs(row["change_week"] - 0.07) < 1e-9
    # from the first day after the harvest: nine days of 1.0 and of 0.5 mm
    assert (row["recharge_treated_mm"], row["recharge_check_mm"]) == (9.0, 4.5)
    assert row["recharge_gain_mm"] == 4.5
    assert (row["usual_seeding_mm"], row["usual_seasons"]) == (390.0, 2)
    assert (row["partial"], row["reason"], row["caution"]) == (False, None, WORKING)


def test_the_day_of_harvest_and_a_standing_crop_have_no_row() -> None:
    found = derive()
    assert min(found) == HARVESTED + timedelta(days=1)
    seeded = SEASONS.with_columns(
        seeded=pl.when(pl.col("season") == 2025)
        .then(HARVESTED + timedelta(days=12))
        .otherwise("seeded")
    )
    assert max(derive(season=seeded)) == HARVESTED + timedelta(days=12)


def test_lost_rain_is_told_and_compared_with_the_normal_of_what_was_recorded() -> None:
    lost = pl.col("day") == HARVESTED + timedelta(days=3)
    rain = tables()["rain_day"].with_columns(
        rain_mm=pl.when(~lost).then("rain_mm"),
        normal_recorded_mm=pl.when(~lost).then("normal_recorded_mm"),
        rain_coverage=pl.when(~lost).then("rain_coverage").otherwise(0.0),
    )
    row = derive(rain_day=rain)[HARVESTED + timedelta(days=10)]
    assert (row["rain_mm"], row["normal_recorded_mm"], row["rain_coverage"]) == (18.0, 13.5, 0.9)
    assert row["partial"]
    assert row["reason"] == "rain was not recorded on all days"


def test_without_a_probe_the_recharge_is_null_with_a_reason() -> None:
    row = derive(profile_water_day=rows("profile_water_day", []))[HARVESTED + timedelta(days=5)]
    assert (row["recharge_gain_mm"], row["usual_seeding_mm"], row["usual_seasons"]) == (
        None,
        None,
        0,
    )
    assert row["partial"]
    assert "water in the profile" in row["reason"]


def test_other_depths_than_on_the_first_day_give_no_gain() -> None:
    later = pl.col("day") > HARVESTED + timedelta(days=4)
    water = tables()["profile_water_day"].with_columns(
        depths=pl.when(later).then(pl.lit("10")).otherwise("depths")
    )
    found = derive(profile_water_day=water)
    assert found[HARVESTED + timedelta(days=4)]["recharge_gain_mm"] is not None
    assert found[HARVESTED + timedelta(days=5)]["recharge_gain_mm"] is None


@settings(max_examples=20, deadline=None)
@given(st.integers(1, 29))
def test_no_later_day_enters_a_row(kept: int) -> None:
    last = HARVESTED + timedelta(days=kept)
    cut = {
        name: frame.filter(pl.col("day") <= last) if "day" in frame.columns else frame
        for name, frame in tables().items()
    }
    whole = between_crops_day.derive(**tables()).filter(pl.col("day") <= last)
    assert between_crops_day.derive(**cut).equals(whole)
