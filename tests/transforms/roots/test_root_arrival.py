from datetime import date, timedelta
from typing import Any

import numpy as np
import polars as pl

from schemas import generated
from schemas.catalogue import TABLES
from tests.transforms.frames import by_key, check, days, rows, season
from tests.transforms.ground import Array
from tests.transforms.roots.uptake_series import series
from transforms.roots import root_arrival

SEEDED = date(2024, 5, 1)
SEASON = rows(
    "season",
    [
        season("2024-05-01", "2024-08-28", "2024-05-10"),
        season("2025-05-01", season=2025, crop="c"),
    ],
)

NO_WEATHER = generated.empty(TABLES["weather_used_day"])


def derived(
    uptake: dict[tuple[str, float], Array],
    *,
    thickness: float = 20.0,
    method: str = "day-night",
    above_full: float = -5.0,
) -> dict[Any, dict[str, Any]]:
    """Arrivals from uptakes in % a day from seeding on."""
    drawn, water = [], []
    for (strip, depth), values in uptake.items():
        for day, v in zip(days("2024-05-01", len(values)), values, strict=True):
            none = bool(np.isnan(v))
            place = {"probe": strip, "depth_cm": depth, "day": day, "field": "f", "strip": strip}
            drawn.append(
                {
                    **place,
                    "season": 2024,
                    "layer_thickness_cm": thickness,
                    "uptake_mm": None if none else float(v) * thickness / 10,
                    "method": None if none else method,
                    "both_strips": False,
                }
            )
            water.append({**place, "vwc_pct": 40.0 + above_full, "drained_upper_limit_pct": 40.0})
    frame = root_arrival.derive(
        rows("drawdown_day", drawn), rows("soil_water_day", water), SEASON, NO_WEATHER
    )
    check(frame, "root_arrival")
    return by_key(frame, "root_arrival")


def test_arrival_with_its_interval_and_no_season_that_has_not_begun() -> None:
    found = derived({("check", 50.0): series(50)})
    row = found["f", 2024, "check", 50.0]
    assert row["state"] == "reached"
    assert abs((row["day"] - SEEDED).days - 52) <= 4
    assert row["earliest_day"] <= row["day"] <= row["latest_day"]
    assert row["coverage"] == 1.0
    assert list(found) == [("f", 2024, "check", 50.0)]


def test_thick_and_thin_layers_compare() -> None:
    thin = derived({("check", 50.0): series(50)}, thickness=10.0)
    thick = derived({("check", 50.0): series(50)}, thickness=50.0)
    assert thin["f", 2024, "check", 50.0]["day"] == thick["f", 2024, "check", 50.0]["day"]


def test_little_uptake_of_a_thick_layer_is_little() -> None:
    # 0.1 mm a day of half a metre is 0.02 % a day: no roots are claimed from that
    row = derived({("check", 50.0): series(50, height=0.02, noise=0.005)}, thickness=50.0)
    assert row["f", 2024, "check", 50.0]["state"] == "not seen"


def test_roots_come_from_above() -> None:
    early = series(20, seed=1)
    early[45:65] = 0.0  # drew early, stopped, drew again: drainage first, roots later
    early[65:] = series(65, seed=1)[65:]
    alone = derived({("check", 60.0): early})["f", 2024, "check", 60.0]
    below = derived({("check", 40.0): series(55), ("check", 60.0): early})
    assert (alone["day"] - SEEDED).days < 30
    assert below["f", 2024, "check", 60.0]["day"] >= below["f", 2024, "check", 40.0]["earliest_day"]
    assert (below["f", 2024, "check", 60.0]["day"] - SEEDED).days > 50


def test_not_seen_says_how_long_it_was_quiet() -> None:
    row = derived({("check", 50.0): series(None, noise=0.02)})["f", 2024, "check", 50.0]
    assert row["state"] == "not seen"
    assert row["day"] is None
    assert row["reason"]
    assert row["quiet_until_day"] is None or row["quiet_until_day"] <= row["watched_to_day"]


def test_near_the_surface_nothing_is_told() -> None:
    row = derived({("check", 10.0): series(20)})["f", 2024, "check", 10.0]
    assert (row["state"], row["day"]) == ("not told", None)
    assert "evaporation" in row["reason"]


def test_saturated_soil_tells_nothing() -> None:
    row = derived({("check", 50.0): series(None)}, above_full=3.0)["f", 2024, "check", 50.0]
    assert row["state"] == "not told"
    assert "drained upper limit" in row["reason"]


def test_few_days_tell_nothing_and_no_day_is_a_probe_that_was_out() -> None:
    few = series(None)
    few[30:] = np.nan
    gone = np.full(120, np.nan)
    found = derived({("check", 50.0): few, ("treated", 50.0): gone})
    assert found["f", 2024, "check", 50.0]["state"] == "not told"
    assert found["f", 2024, "treated", 50.0]["state"] == "probe out"


def test_a_probe_set_into_rooted_soil_knows_only_that_they_came_before() -> None:
    late = series(10)
    late[:40] = np.nan
    row = derived({("check", 50.0): late})["f", 2024, "check", 50.0]
    assert row["state"] == "before the record"
    assert row["day"] is None
    assert row["latest_day"] >= SEEDED + timedelta(days=40)


def test_no_roots_before_emergence_whatever_the_sensor_shows() -> None:
    row = derived({("check", 50.0): series(-20, seed=4)})["f", 2024, "check", 50.0]
    # no weather: 20 degC, 4.6 cm a day
    first = SEEDED + timedelta(days=10)
    assert row["possible_from"] == first
    assert row["state"] == "reached"
    assert first <= row["earliest_day"] <= row["day"] <= row["latest_day"]


def test_a_deep_arrival_does_not_overrule_a_quiet_sensor_above_it() -> None:
    found = derived({("check", 40.0): series(None, seed=3), ("check", 60.0): series(50)})
    assert found["f", 2024, "check", 40.0]["state"] == "not seen"
    below = found["f", 2024, "check", 60.0]
    assert (below["state"], below["day"], below["latest_day"]) == ("not told", None, None)
    assert "sensor above was quiet" in below["reason"]
    assert below["partial"]
    # a depth that drew too, or that is too noisy or not watched enough to tell, is no witness
    weak = derived(
        {("check", 40.0): series(45, height=0.2, noise=0.5), ("check", 60.0): series(50)}
    )
    assert weak["f", 2024, "check", 40.0]["state"] == "not seen"
    assert weak["f", 2024, "check", 60.0]["state"] == "reached"
    gone = series(None)
    gone[30:] = np.nan
    found = derived({("check", 40.0): gone, ("check", 60.0): series(50)})
    assert found["f", 2024, "check", 60.0]["state"] == "reached"


def test_a_deeper_depth_that_draws_first_is_doubtful_and_says_so() -> None:
    found = derived({("check", 40.0): series(70, seed=1), ("check", 60.0): series(30, seed=2)})
    upper, lower = (found["f", 2024, "check", d] for d in (40.0, 60.0))
    assert lower["day"] >= upper["earliest_day"]
    assert lower["partial"]
    assert "doubtful" in lower["reason"]
    assert upper["reason"] is None


def test_a_steady_drainage_before_emergence_is_taken_off_balances() -> None:
    drains = np.full(120, 0.3) + series(None, noise=0.02)
    row = derived({("check", 50.0): drains}, method="balance")["f", 2024, "check", 50.0]
    assert row["state"] == "not seen"
    assert derived({("check", 50.0): drains})["f", 2024, "check", 50.0]["state"] != "not seen"


def _over_winter(
    depth: float, fall_c: float, starts: str, method: str = "day-night"
) -> dict[str, Any]:
    """Winter crop up on 20 September: 50 days at ``fall_c``, 120 of frost, then spring at 10 degC."""
    seeded = rows("season", [season("2023-09-10", "2024-08-01", "2023-09-20")])
    temps = np.concatenate([np.full(50, fall_c), np.full(120, -10.0), np.full(147, 10.0)])
    calendar = days("2023-09-20", len(temps))
    weather = rows(
        "weather_used_day",
        [
            {"station": "s", "day": d, "field": "f", "air_temp_mean_c": float(t)}
            for d, t in zip(calendar, temps, strict=True)
        ],
    )
    start = calendar.index(date.fromisoformat(starts))
    rng = np.random.default_rng(5)
    rise = np.clip((np.arange(len(temps)) - start) / 10, 0, 1)
    uptake = 0.4 * rise * rng.uniform(0.4, 1.4, len(temps)) + rng.normal(0, 0.05, len(temps))
    drawn = [
        {
            "field": "f",
            "strip": "check",
            "probe": "p",
            "depth_cm": depth,
            "day": d,
            "season": 2024,
            "layer_thickness_cm": 10.0,
            "uptake_mm": float(u) if t > 0 else None,
            "method": method if t > 0 else None,
            "both_strips": False,
        }
        for d, u, t in zip(calendar, uptake, temps, strict=True)
    ]
    frame = root_arrival.derive(
        rows("drawdown_day", drawn), generated.empty(TABLES["soil_water_day"]), seeded, weather
    )
    check(frame, "root_arrival")
    return frame.row(0, named=True)


def test_roots_seen_after_the_winter_may_have_come_in_the_fall() -> None:
    """50 days at 8 degC: 400 degree days and 48 cm at 1.2 mm each."""
    row = _over_winter(40, 8.0, "2024-03-15")
    assert (row["state"], row["day"], row["earliest_day"]) == ("before the record", None, None)
    assert date(2024, 3, 8) <= row["latest_day"] <= date(2024, 4, 5)
    assert "fall" in row["reason"]
    assert row["partial"]
    # deeper than the fall could bring them, after a cold fall, or weeks after the winter: a day
    assert _over_winter(50, 8.0, "2024-03-15")["state"] == "reached"
    assert _over_winter(40, 4.0, "2024-03-15")["state"] == "reached"
    assert _over_winter(40, 8.0, "2024-05-20")["state"] == "reached"


def test_one_value_a_day_dates_nothing_before_the_end_of_the_winter() -> None:
    """A layer that dries from 5 October on, as soil does around a small crop; frost from 9 November."""
    by_day = _over_winter(40, 8.0, "2023-10-05")
    assert date(2023, 10, 2) <= by_day["day"] <= date(2023, 10, 15)
    balance = _over_winter(40, 8.0, "2023-10-05", method="balance")
    assert balance["day"] is None
    # in spring roots are dated as before
    assert _over_winter(40, 8.0, "2024-05-20", method="balance")["state"] == "reached"


def test_empty() -> None:
    names = ("drawdown_day", "soil_water_day", "season", "weather_used_day")
    check(root_arrival.derive(*(generated.empty(TABLES[n]) for n in names)), "root_arrival")


def test_unsorted_rows_give_the_same() -> None:
    frame = derived({("check", 50.0): series(50), ("treated", 50.0): series(40, seed=3)})
    assert frame["f", 2024, "treated", 50.0]["day"] < frame["f", 2024, "check", 50.0]["day"]
    assert isinstance(frame, dict)
    assert pl.DataFrame(list(frame.values())).height == 2


def test_a_season_that_ended_before_the_record_began_has_no_row() -> None:
    place = {"probe": "p", "depth_cm": 20.0, "field": "f", "strip": "check", "both_strips": False}
    drawn = [{**place, "day": d, "layer_thickness_cm": 20.0} for d in days("2024-02-26", 4)]
    before = rows("season", [season("2021-05-08", "2021-08-28", season=2021)])
    found = root_arrival.derive(
        rows("drawdown_day", drawn),
        generated.empty(TABLES["soil_water_day"]),
        before,
        NO_WEATHER,
    )
    assert found.is_empty()
