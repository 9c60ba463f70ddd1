from __future__ import annotations

from collections.abc import Collection, Mapping
from datetime import date, timedelta
from typing import Any

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from schemas import generated
from schemas.catalogue import TABLES
from schemas.compared import as_made
from tests.transforms import frames, soil_frames
from transforms.soil import water_use_season

SEEDED, HARVESTED = date(2024, 5, 1), date(2024, 8, 31)
DAYS = frames.days("2024-04-20", 150)
SEASON_DAYS = (HARVESTED - SEEDED).days
Water = dict[tuple[str, float], dict[date, tuple[float, float] | None]]
FULL = 38.0


class Truth:
    """A three-layer bucket with known rain, use and drainage; water in percent at day closes."""

    def __init__(
        self,
        *,
        seed: int = 1,
        start: tuple[float, float, float] = (33.0, 34.0, 35.0),
        use_mm: float = 3.0,
        wet: float = 1.0,
        drains: bool = False,
        noise_pct: float = 0.0,
        irrigated: Mapping[date, float] | None = None,
    ) -> None:
        rng = np.random.default_rng(seed)
        thick = np.array([200.0, 200.0, 400.0])
        store = np.array(start) / 100 * thick
        full = FULL / 100 * thick
        self.rain: dict[date, float] = {}
        self.use: dict[date, float] = {}
        self.drained: dict[date, float] = {}
        self.water: Water = {("x", d): {} for d in soil_frames.THICKNESS_CM}
        for day in DAYS:
            rain = wet * float(rng.gamma(0.8, 8)) if rng.random() < 0.25 else 0.0
            rain = round(rain, 1)
            demand = use_mm if SEEDED <= day <= HARVESTED else 0.5
            store[0] += rain + (irrigated or {}).get(day, 0.0)
            for upper in (0, 1):
                surplus = max(0.0, store[upper] - full[upper])
                store[upper] -= surplus
                store[upper + 1] += surplus
            over = max(0.0, store[2] - full[2])
            drained = 0.5 * over if drains else 0.0
            store[2] -= drained
            taken = np.minimum(demand * np.array([0.5, 0.3, 0.2]), store - 0.12 * thick)
            store -= taken
            self.rain[day], self.drained[day] = rain, drained
            self.use[day] = float(taken.sum())
            measured = store / thick * 100 + rng.normal(0, noise_pct, 3)
            for layer, depth in enumerate(soil_frames.THICKNESS_CM):
                value = float(measured[layer])
                self.water["x", depth][day] = (value + 0.4, value)

    def total(self, what: dict[date, float], first: date = SEEDED, last: date = HARVESTED) -> float:
        """Sum over the days after ``first`` to ``last``: from close to close."""
        return sum(v for day, v in what.items() if first < day <= last)


def used_by_layer(truth: Truth) -> np.ndarray:
    """What each layer lost from seeding to harvest, mm."""
    fall = [w[SEEDED][1] - w[HARVESTED][1] for w in truth.water.values()]
    return np.array(fall) / 100 * np.array([200.0, 200.0, 400.0])


def sensors_error(truth: Truth) -> float:
    """4 % of what each layer lost, and 0.6 % by volume of each, mm."""
    strays = 0.006 * np.array([200.0, 200.0, 400.0])
    return float(np.sqrt(((0.04 * used_by_layer(truth)) ** 2 + strays**2).sum()))


NO_RAIN = {"rain_mm": None, "rain_coverage": 0.0, "rain_since_day": None, "gauge_lost": True}


def derive(
    treated: Truth,
    check: Truth | None = None,
    *,
    yields: dict[str, tuple[float, float | None]] | None = None,
    season: dict[str, Any] | None = None,
    weather: dict[date, dict[str, Any]] | None = None,
    drop: dict[str, Any] | None = None,
    lost_et: tuple[date, ...] = (),
    probe_spell: list[dict[str, Any]] | None = None,
    gauges: Collection[tuple[str, date]] = (),
    full_pct: float | None = FULL,
    drained_upper_limit_from: str = "record",
    demand: bool = True,
    readings: int = 24,
    irrigated: Mapping[str, Mapping[date, float | None]] | None = None,
    texture: str | None = None,
) -> dict[str, dict[str, Any]]:
    check = check or treated
    water: Water = {}
    for strip, truth in (("treated", treated), ("check", check)):
        for (_, depth), by_day in truth.water.items():
            water[strip, depth] = {
                day: None if (drop or {}).get(strip, lambda *_: False)(depth, day) else values
                for day, values in by_day.items()
            }
    soil_water, soil_day = soil_frames.records(
        water,
        readings=readings,
        full_pct=full_pct,
        drained_upper_limit_from=drained_upper_limit_from,
    )
    stations = [("T", "treated", treated), ("C", "check", check)]
    frame = water_use_season.derive(
        season=frames.rows(
            "season",
            [
                {
                    "field": "f",
                    "season": 2024,
                    "crop": "spring wheat",
                    "seeded": SEEDED,
                    "harvested": HARVESTED,
                    **(season or {}),
                }
            ],
        ),
        soil_water_day=soil_water,
        soil_day=soil_day,
        rain_day=frames.rows(
            "rain_day",
            [
                {
                    "station": station,
                    "field": "f",
                    "strip": strip,
                    "day": day,
                    "rain_mm": mm,
                    "rain_coverage": 1.0,
                    "rain_since_day": day,
                    **(weather or {}).get(day, {}),
                    **(NO_RAIN if (station, day) in gauges else {}),
                }
                for station, strip, truth in stations
                for day, mm in truth.rain.items()
            ],
        ),
        irrigation_day=pl.concat(
            frames.irrigation(depths, (strip,))
            for strip, depths in (irrigated or {"check": {}}).items()
        ),
        evapotranspiration_day=frames.rows(
            "evapotranspiration_day",
            [
                {"station": station, "field": "f", "strip": strip, "day": day, "crop_et_mm": mm}
                for station, strip, truth in stations
                for day, mm in truth.use.items()
                if demand and day not in lost_et
            ],
        ),
        strip_yield=frames.rows(
            "strip_yield",
            [
                {
                    "field": "f",
                    "season": 2024,
                    "strip": strip,
                    "pass": name,
                    "method": method,
                    "yield_kg_ha": value * factor,
                    "yield_se_kg_ha": se,
                    "passes": 4,
                }
                for strip, (value, se) in (yields or {}).items()
                for name, method, factor in (
                    ("all", "combined", 1.0),
                    ("all", "yield map", 3.0),
                    ("1", "scale wagon", 2.0),
                )
            ],
        ),
        probe_spell=frames.rows("probe_spell", probe_spell or []),
        # the crop's use is all demand there was, so the dual coefficient gives the same
        evaporation_day=frames.rows(
            "evaporation_day",
            [
                {
                    "station": station,
                    "field": "f",
                    "strip": strip,
                    "day": day,
                    "basal_et_mm": mm,
                    "soil_evaporation_mm": 0.0,
                }
                for station, strip, truth in stations
                for day, mm in truth.use.items()
                if demand and day not in lost_et
            ],
        ),
        field=frames.rows(
            "field", [{"field": "f", "soil_texture": texture, "practice": "deep tillage"}]
        ),
        farm=frames.farm(event_gap_h=6.0, event_least_mm=5.0),
    )
    frames.check(frame, "water_use_season")
    assert frame.height == 2
    return {row["strip"]: row for row in frame.iter_rows(named=True)}


def test_the_balance_gives_the_known_use_of_a_dry_profile() -> None:
    truth = Truth(use_mm=3.2, wet=0.6)
    row = derive(truth)["treated"]
    assert row["water_use_mm"] == pytest.approx(truth.total(truth.use), abs=1e-6)
    assert row["rain_mm"] == pytest.approx(truth.total(truth.rain))
    assert (row["from_day"], row["to_day"], row["days"]) == (SEEDED, HARVESTED, SEASON_DAYS)
    assert row["drainage_mm"] == row["drainage_high_mm"] == 0.0
    error = np.hypot(row["storage_used_se_mm"], 0.05 * row["rain_mm"])
    assert row["water_use_se_mm"] == pytest.approx(error)
    assert row["drainage_from"] == "deepest layer below its drained upper limit"
    assert row["depths"] == "10, 30, 60"
    assert row["soil_depth_cm"] == 80.0
    assert row["coverage"] == 1.0
    assert not row["partial"]
    assert row["reason"] == "no yield yet: the balance stands alone"
    assert row["water_use_efficiency_kg_ha_mm"] is None
    assert row["storage_d"] == SEASON_DAYS


def test_days_without_storage_are_no_part_of_the_coverage() -> None:
    truth = Truth(use_mm=3.2, wet=0.6)
    gone = [SEEDED + timedelta(days=n) for n in range(20, 50)]
    row = derive(truth, drop={"treated": lambda _, day: day in gone})["treated"]
    assert (row["days"], row["storage_d"]) == (SEASON_DAYS, SEASON_DAYS - 30)
    assert row["coverage"] == pytest.approx(1 - 30 / SEASON_DAYS)
    assert row["partial"]
    assert f"soil water is known on {SEASON_DAYS - 30} of {SEASON_DAYS} days" in row["reason"]


def test_daily_means_carry_half_of_the_rain_of_both_ends() -> None:
    truth = Truth(seed=0, use_mm=3.2, wet=0.6)
    row = derive(truth, readings=1)["treated"]
    halves = (truth.rain[SEEDED] - truth.rain[HARVESTED]) / 2
    assert halves > 1
    assert row["rain_mm"] == pytest.approx(truth.total(truth.rain) + halves)


def test_a_gap_in_the_probe_leaves_the_rain_of_the_balance_alone() -> None:
    """Rain belongs to the gauge: what the probe missed in between, storage makes up for."""
    truth = Truth(seed=2, use_mm=3.2)
    gap = set(DAYS[40:52])
    assert truth.rain[DAYS[39]] + truth.rain[DAYS[51]] > 0
    row = derive(truth, drop={"treated": lambda _, day: day in gap})["treated"]
    assert row["rain_mm"] == pytest.approx(truth.total(truth.rain))
    assert row["rain_mm"] == derive(truth)["treated"]["rain_mm"]


def test_errors_that_both_strips_share_leave_the_change_of_efficiency() -> None:
    """Alike balances: the soil's slope and the gauges are gone, sensors and yields are left."""
    truth = Truth(use_mm=3.2, wet=0.6)
    yields: dict[str, tuple[float, float | None]] = {"treated": (3300, 33), "check": (3000, 30)}
    row = derive(truth, yields=yields)["treated"]
    assert row["efficiency_change_pct"] == pytest.approx(10)
    half = (row["efficiency_change_high_pct"] - row["efficiency_change_low_pct"]) / 2
    own = sensors_error(truth) / row["water_use_mm"]
    assert row["drainage_high_mm"] == 0.0
    assert half == pytest.approx(110 * 1.96 * np.sqrt(2 * own**2 + 2 * 0.01**2), rel=0.02)
    # the strip's own interval has them all
    wide = row["water_use_efficiency_high_kg_ha_mm"] / row["water_use_efficiency_kg_ha_mm"] - 1
    assert wide > 0.05


def test_a_difference_of_drainage_between_the_strips_may_be_all_wrong() -> None:
    """The check leaves more water to drain: that difference, as a share of the use, is in the interval."""
    yields: dict[str, tuple[float, float | None]] = {"treated": (3300, 33), "check": (3000, 30)}

    def found(use_mm: float) -> tuple[float, float]:
        """Half of the interval on the log scale, and 1.96 times the difference in drainage."""
        treated, check = (
            Truth(start=(38, 38, 41), wet=2.2, drains=True, use_mm=use) for use in (2.5, use_mm)
        )
        rows = derive(treated, check, yields=yields)
        low, high = (rows["treated"][f"efficiency_change_{end}_pct"] for end in ("low", "high"))
        shares = [rows[s]["drainage_mm"] / rows[s]["water_use_mm"] for s in ("treated", "check")]
        return np.log((100 + high) / (100 + low)) / 2, 1.96 * abs(shares[0] - shares[1])

    alike, none = found(2.5)
    half, apart = found(2.2)
    assert none == 0.0
    assert apart > 2 * alike
    assert half == pytest.approx(np.hypot(alike, apart), rel=0.03)


def test_drainage_is_estimated_within_its_bounds() -> None:
    truth = Truth(start=(38, 38, 41), use_mm=2.5, wet=2.2, drains=True)
    drained = truth.total(truth.drained)
    assert drained > 40
    row = derive(truth)["treated"]
    assert row["drainage_low_mm"] <= drained <= row["drainage_high_mm"]
    assert row["drainage_mm"] == pytest.approx(drained, rel=0.15)
    assert row["water_use_mm"] == pytest.approx(truth.total(truth.use), rel=0.05)
    assert row["drainage_from"] == "water balance of draining days"
    assert row["drainage_d"] > 10
    # Not corrected, the use would be overstated by all of the drainage.
    assert row["rain_mm"] + row["storage_used_mm"] > truth.total(truth.use) + 0.9 * drained
    assert row["water_use_se_mm"] > row["storage_used_se_mm"]


def test_a_layer_just_below_its_drained_upper_limit_trickles() -> None:
    truth = Truth(start=(37.5, 37.5, 37.5), use_mm=0.0, wet=0.0)
    row = derive(truth)["treated"]
    assert row["drainage_d"] == 0
    assert row["drainage_mm"] == pytest.approx(0.1 * SEASON_DAYS)
    assert row["drainage_high_mm"] == pytest.approx(0.86 * SEASON_DAYS)
    # under layers that are dry and let nothing through it has only a trickle to give
    dry_above = derive(Truth(start=(30, 30, 37.5), use_mm=0.0, wet=0.0))["treated"]
    assert dry_above["drainage_high_mm"] == pytest.approx(0.1 * SEASON_DAYS)
    assert row["drainage_from"] == "deepest layer below its drained upper limit"
    further = derive(Truth(start=(30, 30, 36.5), use_mm=0.0, wet=0.0))["treated"]
    assert further["drainage_high_mm"] == 0.0


def test_a_layer_never_seen_to_drain_has_a_trickle_and_an_honest_bound() -> None:
    # The highest value seen is no drained upper limit: whether it drains there cannot be told.
    truth = Truth(start=(38, 38, 41), use_mm=2.5, wet=2.2, drains=True)
    row = derive(truth, drained_upper_limit_from="highest seen")["treated"]
    drained = truth.total(truth.drained)
    assert 0 < row["drainage_mm"] < drained < row["drainage_high_mm"]
    assert row["drainage_from"] == "deepest layer never seen to drain"


@pytest.mark.parametrize(
    ("texture", "possible"), [("clay", True), (None, True), ("loam", True), ("dry", False)]
)
def test_upward_flow_is_possible_where_the_soil_above_dried_and_the_deepest_stayed_wet(
    texture: str | None, possible: bool
) -> None:
    """Upper layers 8 points below their limit, the deepest at 37, one below: wetter than a clay's 36."""
    deepest = 37.0 if texture != "dry" else 33.0  # drier than field capacity, no water table near
    truth = Truth(start=(30, 30, deepest), use_mm=0.0, wet=0.0)
    row = derive(truth, texture=texture if texture != "dry" else "clay")["treated"]
    assert ("upward flow possible" in (row["reason"] or "")) == possible
    low = -0.86 * SEASON_DAYS if possible else 0.0
    assert row["drainage_low_mm"] == pytest.approx(low)
    assert row["drainage_mm"] >= 0


def test_drainage_without_evapotranspiration_is_the_middle_of_the_bounds() -> None:
    truth = Truth(start=(38, 38, 41), use_mm=2.5, wet=2.2, drains=True)
    row = derive(truth, demand=False)["treated"]
    assert row["drainage_from"] == "middle of the bounds"
    # but for the trickle of the days just below the drained upper limit
    assert row["drainage_mm"] == pytest.approx(row["drainage_high_mm"] / 2, rel=0.1)
    assert row["drainage_high_mm"] > 80
    assert row["crop_et_mm"] is None


def test_a_few_lost_days_of_evapotranspiration_do_not_matter() -> None:
    truth = Truth(start=(38, 38, 41), use_mm=2.5, wet=2.2, drains=True)
    whole = derive(truth)["treated"]
    row = derive(truth, lost_et=tuple(DAYS[15:20]))["treated"]
    assert row["drainage_from"] == "water balance of draining days"
    assert row["drainage_mm"] == pytest.approx(whole["drainage_mm"], abs=1.5)
    assert row["crop_et_mm"] == pytest.approx(whole["crop_et_mm"], abs=1.5)
    assert derive(truth, lost_et=tuple(DAYS[15:40]))["treated"]["crop_et_mm"] is None


def test_without_a_drained_upper_limit_the_drainage_is_unknown_and_said_so() -> None:
    truth = Truth()
    row = derive(truth, full_pct=None, yields={"treated": (3000, 50), "check": (2900, 50)})["check"]
    assert row["drainage_mm"] is None
    assert row["drainage_from"] == "unknown"
    assert row["drainage_low_mm"] == 0.0
    assert row["drainage_high_mm"] == pytest.approx(row["water_use_mm"])
    assert row["partial"]
    assert "drainage is unknown" in row["reason"]
    assert row["water_use_efficiency_kg_ha_mm"] is not None
    assert row["water_use_efficiency_low_kg_ha_mm"] is None


def test_a_gap_in_the_deepest_layer_counts_as_draining_unless_dry_on_both_sides() -> None:
    wet = Truth(start=(38, 38, 41), use_mm=2.5, wet=2.2, drains=True)
    span = (date(2024, 5, 10), date(2024, 5, 20))

    def gone(depth: float, day: date) -> bool:
        return depth == 60.0 and span[0] <= day <= span[1]

    assert derive(wet, drop={"treated": gone})["treated"]["drainage_d"] >= 11
    dry = Truth(use_mm=3.2, wet=0.6)
    assert derive(dry, drop={"treated": gone})["treated"]["drainage_d"] == 0


def test_a_late_probe_cuts_the_window_of_both_strips() -> None:
    truth = Truth(use_mm=3.2, wet=0.6)
    late = date(2024, 5, 25)
    rows = derive(
        truth,
        drop={"check": lambda _, day: day < late},
        yields={"treated": (3000, 50), "check": (3000, 50)},
    )
    for row in rows.values():
        assert (row["from_day"], row["to_day"]) == (late, HARVESTED)
        assert row["partial"]
        assert "24 days after seeding" in row["reason"]
        assert "looks too high" in row["reason"]
        assert row["water_use_mm"] == pytest.approx(truth.total(truth.use, late), abs=1e-6)
        assert row["coverage"] == pytest.approx((SEASON_DAYS - 24) / SEASON_DAYS)


def test_a_dead_sensor_is_left_out_of_both_strips() -> None:
    truth = Truth(use_mm=3.2, wet=0.6)
    rows = derive(truth, drop={"check": lambda depth, _: depth == 60.0})
    for row in rows.values():
        assert row["depths"] == "10, 30"
        assert row["soil_depth_cm"] == 40.0
        assert "without the layer at 60 cm" in row["reason"]
        assert row["partial"]
        assert row["water_use_mm"] < truth.total(truth.use)


def test_a_sensor_that_dies_early_does_not_cut_the_season_short() -> None:
    died = date(2024, 6, 5)
    rows = derive(Truth(wet=0.6), drop={"check": lambda depth, day: depth == 60.0 and day > died})
    assert rows["treated"]["to_day"] == HARVESTED
    assert rows["treated"]["depths"] == "10, 30"


def test_a_hole_between_layers_is_named() -> None:
    rows = derive(Truth(wet=0.6), drop={"check": lambda depth, _: depth == 30.0})
    assert "a layer between" in rows["treated"]["reason"]


def test_a_strip_without_a_probe_leaves_the_other_its_balance() -> None:
    truth = Truth(use_mm=3.2, wet=0.6)
    rows = derive(truth, drop={"check": lambda *_: True})
    assert rows["treated"]["water_use_mm"] == pytest.approx(truth.total(truth.use), abs=1e-6)
    assert rows["check"]["water_use_mm"] is None
    assert rows["check"]["partial"]
    assert "no soil water" in rows["check"]["reason"]


def test_days_without_a_gauge_understate_the_rain_and_say_so() -> None:
    missing = {date(2024, 6, 1) + timedelta(days=n): {"rain_coverage": 0.0} for n in range(10)}
    row = derive(Truth(wet=0.6), weather=missing)["treated"]
    assert row["rain_coverage"] == pytest.approx(1 - 10 / SEASON_DAYS)
    assert row["partial"]
    assert "understated" in row["reason"]


def test_zeros_of_a_lost_gauge_are_the_other_strip_s_rain() -> None:
    truth = Truth(wet=0.6)
    weeks = [date(2024, 6, 1) + timedelta(days=n) for n in range(20)]
    dry = {day: {"rain_mm": 0.0} for day in weeks}
    lost = [(name, day) for name in "TC" for day in weeks]
    believed = derive(truth, weather=dry)["check"]
    assert believed["rain_coverage"] == 1.0
    unknown = derive(truth, weather=dry, gauges=lost)["check"]
    assert unknown["rain_coverage"] == pytest.approx(1 - 20 / SEASON_DAYS)
    one = derive(truth, gauges=[row for row in lost if row[0] == "C"])["check"]
    assert one["rain_coverage"] == 1.0
    assert one["rain_mm"] == pytest.approx(truth.total(truth.rain))


def test_with_too_little_rain_recorded_there_is_no_water_use() -> None:
    missing = {date(2024, 6, 1) + timedelta(days=n): {"rain_coverage": 0.0} for n in range(14)}
    row = derive(Truth(wet=0.6), weather=missing, yields={"treated": (3000, 50)})["treated"]
    assert row["water_use_mm"] is None
    assert row["water_use_efficiency_kg_ha_mm"] is None
    assert row["storage_used_mm"] is not None
    assert row["partial"]
    assert row["reason"] == "too many days without a rain record for a water use"


def test_a_total_that_bridges_days_is_no_gap() -> None:
    first = date(2024, 6, 1)
    bridged: dict[date, dict[str, Any]] = {
        first + timedelta(days=n): {"rain_coverage": 0.0, "rain_mm": None, "bridged": True}
        for n in range(3)
    }
    bridged[first + timedelta(days=3)] = {"rain_since_day": first, "rain_mm": 30.0}
    row = derive(Truth(wet=0.6), weather=bridged)["treated"]
    assert row["rain_coverage"] == 1.0
    assert not row["partial"]


def test_a_probe_set_within_the_window_is_named() -> None:
    spell = {"probe": "p", "field": "f", "strip": "check", "from_day": date(2024, 6, 20)}
    rows = derive(Truth(wet=0.6), probe_spell=[spell])
    assert rows["check"]["partial"]
    assert "two places" in rows["check"]["reason"]
    assert not rows["treated"]["partial"]


def test_a_standing_crop_has_a_balance_so_far() -> None:
    row = derive(Truth(wet=0.6), season={"harvested": None})["treated"]
    assert row["to_day"] == DAYS[-1]
    assert row["days_season"] is None
    assert "still stands" in row["reason"]


def test_units_and_magnitude_at_the_limit_of_french_and_schultz() -> None:
    # French and Schultz 1984 (doi 10.1071/AR9840743): at best 20 kg/ha a mm above 110 mm; on all
    # water used, farms reach 5 to 13 kg/ha/mm.
    truth = Truth(use_mm=2.6, wet=0.8)
    use = truth.total(truth.use)
    best = 20 * (use - 110)
    row = derive(truth, yields={"treated": (best, 100.0), "check": (0.7 * best, 100.0)})
    assert 250 < use < 350
    assert row["treated"]["water_use_efficiency_kg_ha_mm"] == pytest.approx(best / use)
    assert 5 < row["check"]["water_use_efficiency_kg_ha_mm"] < 13
    assert 11 < row["treated"]["water_use_efficiency_kg_ha_mm"] < 14
    change = row["check"]["efficiency_change_pct"]
    assert change == row["treated"]["efficiency_change_pct"]
    assert change == pytest.approx(100 * (1 / 0.7 - 1))
    assert row["check"]["efficiency_change_low_pct"] < change
    assert row["check"]["efficiency_change_high_pct"] > change


def test_too_little_use_gives_no_efficiency() -> None:
    truth = Truth(use_mm=0.1, wet=0.0)
    row = derive(truth, yields={"treated": (3000, 50.0), "check": (3000, 50.0)})["check"]
    assert 0 < row["water_use_mm"] < 25
    assert row["water_use_efficiency_kg_ha_mm"] is None
    assert row["efficiency_change_pct"] is None
    assert row["reason"] == "too little water use for an efficiency"


def test_the_error_of_yield_is_carried_through() -> None:
    rows = derive(Truth(wet=0.6), yields={"treated": (3000, 300.0), "check": (3000, None)})
    treated, check = rows["treated"], rows["check"]
    middle = treated["water_use_efficiency_kg_ha_mm"]
    relative = np.hypot(0.1, treated["water_use_se_mm"] / treated["water_use_mm"])
    assert np.log(treated["water_use_efficiency_high_kg_ha_mm"] / middle) == pytest.approx(
        1.959964 * relative
    )
    assert check["water_use_efficiency_kg_ha_mm"] == pytest.approx(middle)
    assert check["water_use_efficiency_low_kg_ha_mm"] is None
    assert treated["efficiency_change_pct"] == pytest.approx(0)
    assert treated["efficiency_change_low_pct"] is None


def test_the_noise_of_the_profile_is_found() -> None:
    # Three layers, 0.2 % each: the profile's noise is 0.2 % of 200, 200 and 400 mm, squared, added.
    noise = 0.002 * np.sqrt(200**2 + 200**2 + 400**2)
    found = []
    for seed in range(8):
        truth = Truth(seed=seed, wet=0.3, use_mm=2.0, noise_pct=0.2)
        row = derive(truth)["treated"]
        slopes = (0.09 * row["storage_used_mm"]) ** 2 + sensors_error(truth) ** 2
        found.append(np.sqrt((row["storage_used_se_mm"] ** 2 - slopes) / 2))
    assert np.mean(found) == pytest.approx(noise, rel=0.15)


def test_noise_does_not_move_the_water_use_beyond_its_error() -> None:
    inside = 0
    for seed in range(10):
        truth = Truth(seed=seed, wet=0.6, noise_pct=0.3)
        row = derive(truth)["treated"]
        inside += abs(row["water_use_mm"] - truth.total(truth.use)) < 1.96 * row["water_use_se_mm"]
    assert inside >= 8


def test_nothing_gives_nothing_and_a_season_alone_gives_reasons() -> None:
    empty = {
        name: frames.rows(name, [])
        for name in (
            "season",
            "soil_water_day",
            "soil_day",
            "rain_day",
            "irrigation_day",
            "evapotranspiration_day",
            "evaporation_day",
            "strip_yield",
            "probe_spell",
            "field",
        )
    }
    frame = water_use_season.derive(**empty, farm=frames.farm())
    assert frame.is_empty()
    assert frame.schema == generated.polars_schema(as_made(TABLES["water_use_season"]))
    season = frames.rows(
        "season", [{"field": "f", "season": 2024, "crop": "oats", "seeded": SEEDED}]
    )
    alone = water_use_season.derive(**{**empty, "season": season}, farm=frames.farm())
    assert alone["water_use_mm"].null_count() == 2
    assert alone["partial"].all()
    assert alone["reason"].null_count() == 0


@settings(max_examples=10, deadline=None)
@given(
    seed=st.integers(0, 10_000),
    use=st.floats(1, 5),
    wet=st.floats(0, 3),
    start=st.floats(20, 42),
)
def test_bounds_and_signs_hold_whatever_the_weather(
    seed: int, use: float, wet: float, start: float
) -> None:
    truth = Truth(seed=seed, use_mm=use, wet=wet, start=(start,) * 3, drains=True)
    row = derive(truth)["treated"]
    assert row["drainage_low_mm"] <= 0 <= row["drainage_mm"] <= row["drainage_high_mm"]
    identity = row["rain_mm"] + row["storage_start_mm"] - row["storage_end_mm"] - row["drainage_mm"]
    assert row["water_use_mm"] == pytest.approx(identity)
    assert row["water_use_mm"] == pytest.approx(truth.total(truth.use), rel=0.12, abs=12)


# --- irrigation -----------------------------------------------------------------------------------

PUT_ON = {date(2024, 6, 10): 25.0, date(2024, 6, 24): 25.0, date(2024, 7, 8): 30.0}


def test_an_irrigated_season_closes_with_its_record_and_lacks_just_that_water_without() -> None:
    truth = Truth(wet=0.3, irrigated=PUT_ON)
    used = truth.total(truth.use)
    told = derive(truth, irrigated=dict.fromkeys(("treated", "check"), PUT_ON))["treated"]
    assert told["irrigation_mm"] == pytest.approx(80.0)
    assert told["rain_mm"] == pytest.approx(truth.total(truth.rain))
    assert told["water_use_mm"] == pytest.approx(used, abs=1.0)
    dry = derive(truth)["treated"]
    assert dry["irrigation_mm"] == 0.0
    assert dry["irrigation_coverage"] == 1.0
    assert told["water_use_mm"] - dry["water_use_mm"] == pytest.approx(80.0, abs=0.5)


def test_each_strip_has_its_own_irrigation() -> None:
    little = {date(2024, 6, 10): 25.0}
    treated, check = Truth(wet=0.3, irrigated=PUT_ON), Truth(wet=0.3, irrigated=little)
    rows = derive(treated, check, irrigated={"treated": PUT_ON, "check": little})
    for strip, truth in (("treated", treated), ("check", check)):
        assert rows[strip]["water_use_mm"] == pytest.approx(truth.total(truth.use), abs=1.0)
    assert (rows["treated"]["irrigation_mm"], rows["check"]["irrigation_mm"]) == (80.0, 25.0)


def test_one_irrigation_of_both_strips_is_one_error_of_the_change_and_two_are_two() -> None:
    truth = Truth(wet=0.3, irrigated=PUT_ON)
    yields = {"treated": (3000, 50.0), "check": (3000, 50.0)}

    def width(other: dict[date, float]) -> float:
        given_ = {"treated": PUT_ON, "check": other}
        row = derive(truth, yields=yields, irrigated=given_)["check"]
        low, high = row["efficiency_change_low_pct"], row["efficiency_change_high_pct"]
        return float(np.log((100 + high) / (100 + low)))

    alike, apart = width(PUT_ON), width({**PUT_ON, date(2024, 7, 8): 30.5})
    assert apart > 1.05 * alike


def test_irrigation_of_unknown_depth_is_said_and_too_much_of_it_is_no_water_use() -> None:
    truth = Truth(wet=0.3)
    row = derive(truth, irrigated={"treated": {date(2024, 6, 10): None}})["treated"]
    assert row["water_use_mm"] is not None
    assert row["irrigation_coverage"] < 1
    assert row["partial"]
    assert "irrigation is understated" in row["reason"]
    silent = {day: None for day in DAYS if date(2024, 6, 1) <= day < date(2024, 6, 20)}
    row = derive(truth, irrigated={"treated": silent})["treated"]
    assert row["water_use_mm"] is None
    assert "irrigation is not known on too many days" in row["reason"]


def test_irrigation_that_drains_through_is_drainage() -> None:
    """The profile is full: what is put on leaves below, and is in neither use nor storage."""
    full = {"start": (37.5, 37.5, 37.9), "use_mm": 1.0, "drains": True, "wet": 0.3}
    day = {date(2024, 6, 10): 60.0}
    truth, before = Truth(**full, irrigated=day), Truth(**full)  # type: ignore[arg-type]
    row, dry = derive(truth, irrigated={"treated": day})["treated"], derive(before)["treated"]
    through = truth.total(truth.drained) - before.total(before.drained)
    assert through > 30
    assert row["drainage_low_mm"] <= truth.total(truth.drained) <= row["drainage_high_mm"]
    assert row["drainage_mm"] - dry["drainage_mm"] == pytest.approx(through, rel=0.25)
