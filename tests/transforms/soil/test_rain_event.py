from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from schemas import generated
from schemas.catalogue import TABLES
from schemas.compared import as_made
from tests.transforms import frames
from tests.transforms.soil.rain_event_frames import (
    DAYS,
    STORM,
    WATER,
    at,
    both,
    derive,
    spells,
    steps,
    strips,
    weather,
)


def test_the_gain_is_from_the_close_before_to_a_day_and_two_after() -> None:
    event, _ = derive(both(STORM))
    row = strips(event)
    # A day after the end (17:00) is nearest to the close of the 11th; two days, of the 12th.
    assert row["treated"]["gain_1d_mm"] == pytest.approx(10 + 6)
    assert row["treated"]["gain_2d_mm"] == pytest.approx(8 + 6)
    assert row["treated"]["capture_1d"] == pytest.approx(0.8)
    assert row["check"]["capture_1d"] == pytest.approx(0.5)
    assert row["check"]["capture_2d"] == pytest.approx(0.4)
    assert row["treated"]["storage_before_mm"] == pytest.approx(40 + 50 + 120)
    assert row["treated"]["both_strips"]
    assert row["treated"]["depths"] == "10, 30, 60"
    assert row["treated"]["season"] == 2024
    assert not row["treated"]["partial"]
    assert row["treated"]["reason"] is None
    assert not row["treated"]["by_days"]


def test_the_layers_add_up_to_the_profile() -> None:
    event, layer = derive(both(STORM))
    sums = layer.group_by("strip").agg(pl.col("gain_1d_mm", "gain_2d_mm", "capture_2d").sum())
    for strip, one, two, share in sums.iter_rows():
        assert one == pytest.approx(strips(event)[strip]["gain_1d_mm"])
        assert two == pytest.approx(strips(event)[strip]["gain_2d_mm"])
        assert share == pytest.approx(strips(event)[strip]["capture_2d"])
    by_depth = frames.by_key(layer, "rain_event_layer")
    assert by_depth["f", "treated", STORM[0], 30.0]["capture_1d"] == pytest.approx(0.3)


def test_an_end_before_noon_takes_the_close_of_the_same_day() -> None:
    event, _ = derive(both((at(10, 2), 4.0, 20.0)))
    assert strips(event)["treated"]["gain_1d_mm"] == pytest.approx(12 + 4)


def test_daily_means_are_taken_at_the_middle_of_the_day() -> None:
    rain = both((at(10, 0), 24.0, 20.0), step_h=24.0)
    event, _ = derive(rain, readings=1)
    row = strips(event)["treated"]
    assert row["by_days"]
    # The end is midnight; a day after it lies half-way between two means: the earlier is taken.
    assert row["gain_1d_mm"] == pytest.approx(16.0)
    assert row["gain_2d_mm"] == pytest.approx(14.0)


@pytest.mark.parametrize(("gap", "events"), [(5.9, 1), (6.0, 2), (8.0, 2)])
def test_six_dry_hours_part_two_events(gap: float, events: int) -> None:
    rain = both((at(10, 2), 2.0, 9.0), (at(10, 4 + gap), 2.0, 8.0))
    event, _ = derive(rain)
    assert event.height == 2 * events
    assert event["rain_mm"].sum() == pytest.approx(2 * 17)


def test_the_two_settings_rule() -> None:
    rain = both((at(10, 2), 2.0, 3.0), (at(10, 11), 2.0, 3.0))
    assert derive(rain)[0].is_empty()
    assert derive(rain, event_gap_h=8.0)[0]["rain_mm"].to_list() == [6.0, 6.0]
    assert derive(rain, event_least_mm=3.0)[0].height == 4


def test_one_event_for_both_strips_with_each_its_own_gauge() -> None:
    rain = spells((at(10, 13), 4.0, 20.0)) + spells((at(10, 16), 3.0, 16.0), station="C")
    event, _ = derive(rain)
    row = strips(event)
    assert event["began"].n_unique() == 1
    assert row["check"]["ended"] == at(10, 19)
    assert (row["treated"]["rain_mm"], row["check"]["rain_mm"]) == (20.0, 16.0)
    assert row["check"]["capture_1d"] == pytest.approx(10 / 16)


def test_a_strip_whose_gauge_was_out_takes_the_other_one() -> None:
    out = weather("C", rain_coverage=0.4)
    event, _ = derive(spells(STORM), [*weather("T"), *out])
    row = strips(event)
    assert row["check"]["rain_mm"] == 20.0
    assert row["check"]["rain_from"] == "other strip's station"
    assert not row["check"]["partial"]


def test_a_lost_gauge_s_zeros_are_no_rain_of_its_strip() -> None:
    lost = weather("C", rain_mm=None, rain_coverage=0.0, rain_from=None, gauge_lost=True)
    event, _ = derive(spells(STORM), [*weather("T"), *lost])
    row = strips(event)["check"]
    assert (row["rain_mm"], row["rain_from"]) == (20.0, "other strip's station")
    assert strips(derive(spells(STORM))[0])["check"]["rain_mm"] == 0.0


def test_a_gauge_that_both_strips_lack_makes_the_event_partial() -> None:
    event, _ = derive(
        both(STORM), [*weather("T", rain_coverage=0.5), *weather("C", rain_coverage=0.5)]
    )
    assert event["partial"].all()
    assert event["reason"].str.contains("no gauge").all()
    assert event["coverage"].to_list() == [0.5, 0.5]


def test_a_clogged_gauge_gives_no_capture() -> None:
    event, _ = derive(spells(STORM) + spells((at(10, 13), 4.0, 4.0), station="C"))
    assert event["capture_1d"].null_count() == 2
    assert event["reason"].str.contains("disagree").all()


def test_other_rain_within_the_two_days_voids_only_what_it_touches() -> None:
    event, _ = derive(both(STORM, (at(12, 12), 1.0, 4.0)))
    row = strips(event)["treated"]
    assert row["gain_1d_mm"] == pytest.approx(16.0)
    assert row["gain_2d_mm"] is None
    assert "other rain" in row["reason"]
    assert not row["both_strips"]
    event, _ = derive(both(STORM, (at(12, 12), 1.0, 1.5)))
    assert strips(event)["treated"]["gain_2d_mm"] == pytest.approx(14.0)


def test_rain_before_it_on_the_same_day_voids_it() -> None:
    event, _ = derive(both((at(10, 1), 1.0, 4.0), STORM))
    assert event["capture_1d"].null_count() == 2


@pytest.mark.parametrize(
    ("change", "quality", "words"),
    [
        ({"snow_depth_cm": 3.0, "air_temp_mean_c": 2.0}, [], "snow on the ground"),
        ({"air_temp_mean_c": 0.2}, [], "fallen as snow"),
        (
            {},
            [
                {
                    "probe": "check",
                    "depth_cm": 10.0,
                    "day": date(2024, 5, 9),
                    "field": "f",
                    "strip": "check",
                    "quality": "bad",
                    "frozen": True,
                    "usable": False,
                }
            ],
            "frozen soil",
        ),
        (
            {},
            [
                {
                    "probe": "check",
                    "depth_cm": 10.0,
                    "day": date(2024, 5, 11),
                    "field": "f",
                    "strip": "check",
                    "quality": "not evaluated",
                    "may_be_frozen": True,
                    "usable": False,
                }
            ],
            "may have been frozen",
        ),
    ],
)
def test_winter_is_left_out_in_both_strips(
    change: dict[str, Any], quality: list[dict[str, Any]], words: str
) -> None:
    event, layer = derive(both(STORM), [*weather("T"), *weather("C", **change)], quality=quality)
    if set(change) == {"air_temp_mean_c"}:  # the mean of both stations
        event, layer = derive(both(STORM), [*weather("T", **change), *weather("C", **change)])
    assert event["winter"].all()
    assert event["gain_1d_mm"].null_count() == 2
    assert layer["capture_2d"].null_count() == layer.height
    assert event["reason"].str.contains(words).all()


def test_noise_of_a_snow_sensor_makes_no_winter() -> None:
    noisy, _ = derive(both(STORM), [*weather("T"), *weather("C", snow_depth_cm=0.8)])
    tall, _ = derive(both(STORM), [*weather("T"), *weather("C", snow_depth_cm=30.0)])
    for event in (noisy, tall):
        assert not event["winter"].any()
        assert event["capture_1d"].null_count() == 0


def test_soil_deep_down_that_may_be_frozen_makes_no_winter() -> None:
    day = {"probe": "check", "day": date(2024, 5, 10), "field": "f", "strip": "check"}
    quality = [
        day | {"depth_cm": depth, "quality": "good", "may_be_frozen": depth > 50, "usable": True}
        for depth in (10.0, 100.0)
    ]
    assert not derive(both(STORM), quality=quality)[0]["winter"].any()


@pytest.mark.parametrize(("latitude", "winter"), [(-35.0, True), (50.0, False)])
def test_without_any_temperature_the_season_decides(latitude: float, winter: bool) -> None:
    """The storm is in May."""
    none = [*weather("T", air_temp_mean_c=None), *weather("C", air_temp_mean_c=None)]
    event, _ = derive(both(STORM), none, latitude_deg=latitude)
    assert event["winter"].all() == winter


def test_a_dead_sensor_makes_its_strip_partial_and_the_strips_not_comparable() -> None:
    water = dict(WATER)
    water["check", 30.0] = dict.fromkeys(DAYS)
    event, layer = derive(both(STORM), water=water)
    row = strips(event)["check"]
    assert row["gain_1d_mm"] == pytest.approx(8.0)
    assert row["depths"] == "10, 60"
    assert row["partial"]
    assert "no value at 30 cm" in row["reason"]
    assert not row["both_strips"]
    dead = frames.by_key(layer, "rain_event_layer")["f", "check", STORM[0], 30.0]
    assert dead["gain_1d_mm"] is None
    assert dead["reason"]


def test_without_soil_the_rain_stands_alone() -> None:
    event, layer = derive(both(STORM), water={})
    assert event["rain_mm"].to_list() == [20.0, 20.0]
    assert event["capture_1d"].null_count() == 2
    assert event["reason"].str.contains("no soil water").all()
    assert layer.is_empty()


def test_wet_days_of_a_daily_record_run_together() -> None:
    rain = both(
        (at(10, 0), 24.0, 4.0),
        (at(11, 0), 24.0, 9.0),
        (at(12, 0), 24.0, 0.1),
        (at(13, 0), 24.0, 7.0),
        step_h=24.0,
    )
    event, _ = derive(rain)
    assert event.filter(pl.col("strip") == "check")["rain_mm"].to_list() == [13.0, 7.0]
    assert event["by_days"].all()


def test_nothing_gives_nothing() -> None:
    for rain, days, water in (([], None, None), (both(STORM), [], None)):
        event, layer = derive(rain, days, water)
        assert event.is_empty()
        assert layer.is_empty()
        assert event.schema == generated.polars_schema(as_made(TABLES["rain_event"]))


@settings(max_examples=40, deadline=None)
@given(
    st.lists(
        st.tuples(st.integers(0, 30 * 24), st.integers(1, 30), st.floats(0.2, 30)),
        min_size=1,
        max_size=25,
        unique_by=lambda item: item[0],
    )
)
def test_events_lie_apart_and_hold_all_the_rain(items: list[tuple[int, int, float]]) -> None:
    rain = both(*((at(1, h), float(length), mm) for h, length, mm in items))
    event, layer = derive(rain, event_least_mm=0.0)
    assert event["rain_mm"].sum() == pytest.approx(2 * sum(mm for *_, mm in items))
    treated = event.filter(pl.col("strip") == "treated").sort("began")
    gaps = (treated["began"].shift(-1) - treated["ended"]).drop_nulls()
    assert (gaps >= timedelta(hours=6)).all()
    missing = layer.filter(pl.col("gain_2d_mm").is_null())
    assert missing["reason"].null_count() == 0


def test_what_wets_only_the_soil_above_the_first_sensor_is_in_the_gain() -> None:
    """The layer lacked 14 mm, 3 after a day and 7 after two; the treated sensor shows nothing."""
    blind = dict(WATER) | {("treated", 10.0): steps(20, 20, 20, 20)}
    lacks = {9: 14.0, 10: 1.0, 11: 3.0, 12: 7.0, 13: 9.0}
    event, layer = derive(both(STORM), water=blind, lacks=lacks)
    seen, _ = derive(both(STORM), water=blind)
    found, plain = strips(event)["treated"], strips(seen)["treated"]
    assert (found["unseen_1d_mm"], found["unseen_2d_mm"]) == (pytest.approx(11), pytest.approx(7))
    assert found["gain_1d_mm"] == pytest.approx(plain["gain_1d_mm"] + 11)
    assert found["capture_2d"] == pytest.approx(plain["capture_2d"] + 7 / 20)
    assert plain["unseen_1d_mm"] == 0
    # the check's sensor shows 4 and 3 % of 200 mm: 8 of the 11 and 6 of the 7
    assert strips(event)["check"]["unseen_1d_mm"] == pytest.approx(3)
    assert strips(event)["check"]["unseen_2d_mm"] == pytest.approx(1)
    deep = layer.filter((pl.col("strip") == "treated") & (pl.col("depth_cm") > 10))
    shown = derive(both(STORM), water=blind)[1].filter(
        (pl.col("strip") == "treated") & (pl.col("depth_cm") > 10)
    )
    assert deep["gain_1d_mm"].to_list() == shown["gain_1d_mm"].to_list()


# --- irrigation -----------------------------------------------------------------------------------


def test_an_irrigation_about_an_event_is_not_taken_for_captured_rain() -> None:
    """The gain of 16 mm is of 20 mm of rain only if nothing else came; the storm is of the 10th."""
    dry, _ = derive(both(STORM))
    for put_on, depth in ((10, 25.0), (11, 25.0), (10, None)):
        event, layer = derive(both(STORM), irrigated={date(2024, 5, put_on): depth})
        for row in strips(event).values():
            assert row["capture_1d"] is None
            assert row["gain_2d_mm"] is None
            assert row["rain_mm"] == 20.0
            assert row["partial"]
            why = (
                "irrigation about it is not known" if depth is None else "irrigated too close to it"
            )
            assert why in row["reason"]
            assert "other rain" not in row["reason"]
        assert layer["capture_1d"].null_count() == layer.height
    for put_on, depth in ((9, 25.0), (13, 25.0), (10, 2.0)):  # before, after, a tenth of the storm
        event, _ = derive(both(STORM), irrigated={date(2024, 5, put_on): depth})
        assert event.equals(dry), put_on


def test_an_irrigation_on_the_second_day_leaves_the_capture_of_the_first() -> None:
    event, _ = derive(both(STORM), irrigated={date(2024, 5, 12): 25.0})
    row = strips(event)["treated"]
    assert row["capture_1d"] == pytest.approx(0.8)
    assert row["capture_2d"] is None
    assert "irrigated too close to it" in row["reason"]


def test_an_irrigation_of_one_strip_leaves_the_other_and_no_comparison() -> None:
    event, _ = derive(
        both(STORM), irrigated={date(2024, 5, 10): 25.0}, irrigated_strips=("treated",)
    )
    row = strips(event)
    assert row["treated"]["capture_2d"] is None
    assert row["check"]["capture_2d"] == pytest.approx(0.4)
    assert not row["check"]["both_strips"]
    assert row["check"]["reason"] is None


def test_rain_of_more_than_a_whole_month_is_parted_in_the_middle_of_it() -> None:
    hourless = [
        (at(1, 0) - timedelta(days=5) + timedelta(days=n, hours=2), 19.0, 2.0) for n in range(40)
    ]
    event, _ = derive(both(*hourless), days=[*around("T"), *around("C")])
    began = event.filter(pl.col("strip") == "check").sort("began")
    assert began["began"].to_list() == [hourless[0][0], at(16, 2)]
    assert began["rain_mm"].to_list() == pytest.approx([2.0 * 20, 2.0 * 20])


def around(station: str) -> list[dict[str, Any]]:
    first = weather(station)[0]
    return [{**first, "day": date(2024, 4, 20) + timedelta(days=n)} for n in range(60)]


def test_a_total_of_more_than_a_month_is_no_event_and_joins_none() -> None:
    long = spells((at(1, 0) - timedelta(days=25), 24 * 38.0, 90.0), station="C")
    event, _ = derive([*spells(STORM, station="T"), *long], days=[*around("T"), *around("C")])
    assert event["began"].unique().to_list() == [STORM[0]]
    alone, _ = derive([*spells((at(1, 0), 24 * 31.0, 90.0), station="C")])
    assert alone["began"].unique().to_list() == [at(1, 0)]
