"""Stuck sensors by their own habit: drying soil, coarse steps, one reading a day, wet days."""

from datetime import timedelta

import numpy as np
import polars as pl
import pytest

from schemas import generated
from schemas.catalogue import TABLES
from tests.transforms.frames import days, farm, rows
from tests.transforms.ground import FIRST, Array, rain, sensors, spells
from transforms.soil import soil_quality_day

N, BEGIN, LENGTH = 150, 80, 20
DEPTH = 10.0


def dry_down(*, flicker: float, step: float, readings: int = 8, stuck: bool = True) -> Array:
    """Readings of each day [%]: soil that loses 0.15 % a day, as a logger writes them."""
    rng = np.random.default_rng(7)
    water = 38 - 0.15 * np.arange(N)[:, None] - 0.15 / readings * np.arange(readings)
    shown = np.round((water + rng.normal(0, flicker, water.shape)) / step) * step
    if stuck:
        shown[BEGIN : BEGIN + LENGTH] = shown[BEGIN, 0]
    return shown.round(3)


def stuck(shown: Array, rained: Array | None = None, warm: bool = False) -> list[int]:
    """Days of the record that are called stuck."""
    start = days(FIRST, 1)[0]
    items = [
        {
            "day": start + timedelta(days=i),
            "vwc_mean_pct": float(of_day.mean()),
            "vwc_min_pct": float(of_day.min()),
            "vwc_max_pct": float(of_day.max()),
            "vwc_last_pct": float(of_day[-1]),
            "soil_temp_mean_c": 12.0 + (i % 7) * 0.1 if warm else 12.0,
            "readings": len(of_day),
        }
        for i, of_day in enumerate(shown)
    ]
    sensor_days = rows(
        "soil_day",
        items,
        probe="check",
        depth_cm=DEPTH,
        field="f",
        strip="check",
        vwc_coverage=1.0,
        soil_temp_min_c=12.0,
        soil_temp_max_c=12.0,
    )
    frame = soil_quality_day.derive(
        sensor_days,
        spells("check"),
        sensors(("check",), (DEPTH,)),
        rain(np.zeros(N) if rained is None else rained),
        generated.empty(TABLES["irrigation_day"]),
        farm(),
    )
    return [(day - start).days for day in frame.filter(pl.col("stuck"))["day"]]


@pytest.mark.parametrize("step", [0.01, 0.1])
def test_a_sensor_that_flickered_while_the_soil_dried_is_stuck_where_it_rests(step: float) -> None:
    assert stuck(dry_down(flicker=0.08, step=step, stuck=False)) == []
    found = stuck(dry_down(flicker=0.08, step=step))
    assert found == list(range(BEGIN + 1, BEGIN + LENGTH))


def test_soil_that_dries_without_noise_may_rest_as_well() -> None:
    """Nothing shows that the sensor would move in resting soil: told as not to be known."""
    assert stuck(dry_down(flicker=0.0, step=0.01)) == []


def test_a_value_at_the_border_of_a_coarse_step_is_no_habit() -> None:
    rng = np.random.default_rng(2)
    water = np.where(np.arange(N) < BEGIN, 35.5, 35.2)[:, None] + rng.normal(0, 0.05, (N, 8))
    coarse = np.round(water)
    assert len(np.unique(coarse[:BEGIN])) == 2
    assert stuck(coarse) == []
    fine = np.round(water, 2)
    fine[BEGIN : BEGIN + LENGTH] = fine[BEGIN, 0]
    assert stuck(fine) != []


def test_one_reading_a_day_is_alive_if_it_is_another_than_the_day_before() -> None:
    daily = dry_down(flicker=0.03, step=0.1, readings=1)
    assert stuck(dry_down(flicker=0.03, step=0.1, readings=1, stuck=False)) == []
    assert stuck(daily)[:2] == [BEGIN + 1, BEGIN + 2]


def test_wet_days_say_nothing_of_the_habit() -> None:
    """A quiet sensor that rain moves every other day may rest in a dry spell."""
    rained = np.where(np.arange(N) % 2 == 0, 5.0, 0.0)
    rained[BEGIN : BEGIN + 45] = 0.0
    quiet = np.full((N, 8), 30.0)
    quiet[rained > 0, 3] = 30.2 + 0.1 * (np.arange((rained > 0).sum()) % 3)
    quiet[rained > 0, 5] = 30.1
    assert stuck(quiet, rained) == []
    assert stuck(quiet, np.zeros(N)) != []


def test_a_sensor_whose_temperature_goes_on_needs_twice_as_long() -> None:
    shown = dry_down(flicker=0.08, step=0.01)
    shown[BEGIN + 8 :] = dry_down(flicker=0.08, step=0.01, stuck=False)[BEGIN + 8 :]
    assert stuck(shown) == list(range(BEGIN + 1, BEGIN + 8))
    assert stuck(shown, warm=True) == []
    assert stuck(dry_down(flicker=0.08, step=0.01), warm=True) != []
