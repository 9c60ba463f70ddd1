from datetime import date

import numpy as np
import polars as pl
import pytest

from tests.transforms.frames import days
from transforms.roots.methods import day_night

RESPONSE = 0.08


def pulses(swing: float | None = 2.0, bare: int = 40, grown: int = 60) -> pl.DataFrame:
    """Fits of a sensor that answers by RESPONSE % a degree; uptake 0.5 % a day once grown."""
    n = bare + grown
    rng = np.random.default_rng(2)
    temp = None if swing is None else swing * rng.uniform(0.5, 1.5, n)
    growing = np.arange(n) >= bare
    fall = 0.5 * growing + (0 if temp is None else RESPONSE * temp)
    return pl.DataFrame(
        {
            "probe": "p",
            "depth_cm": 30.0,
            "field": "f",
            "strip": "check",
            "since": date(2023, 8, 30),
            "day": days("2024-04-01", n),
            "day_fall_pct": fall,
            "day_fall_error_pct": 0.05,
            "residual_pct": 0.06,
            "temp_day_fall_c": temp,
            "temp_swing_c": None if temp is None else temp / 5,
            "temp_response_pct_c": None if temp is None else np.full(n, RESPONSE),
            "readings": 64,
            "coverage": 1.0,
            "growing": growing,
            "usable": True,
        },
        schema_overrides={
            "temp_day_fall_c": pl.Float64,
            "temp_swing_c": pl.Float64,
            "temp_response_pct_c": pl.Float64,
        },
    )


def test_temperature_is_taken_out_by_what_bare_days_show() -> None:
    found = day_night.uptake(pulses())
    assert found["clear"].all()
    assert found.filter("growing")["pulse_pct"].to_list() == pytest.approx([0.5] * 60, abs=1e-6)


def test_without_bare_days_the_remainders_are_used() -> None:
    found = day_night.uptake(pulses(bare=5))
    assert found.filter("growing")["pulse_pct"].to_list() == pytest.approx([0.5] * 60, abs=1e-6)


def test_uptake_is_not_mistaken_for_a_temperature_response() -> None:
    # Were the growing days used, uptake in step with temperature would be taken for its response.
    frame = pulses().with_columns(
        day_fall_pct=pl.when("growing")
        .then(0.4 * pl.col("temp_day_fall_c"))
        .otherwise(pl.col("day_fall_pct")),
        temp_response_pct_c=pl.when("growing").then(0.4).otherwise("temp_response_pct_c"),
    )
    grown = day_night.uptake(frame).filter("growing")
    expected = (0.4 - RESPONSE) * grown["temp_day_fall_c"]
    assert grown["pulse_pct"].to_list() == pytest.approx(expected.to_list(), abs=1e-6)


def test_a_large_swing_hides_the_pulse() -> None:
    assert not day_night.uptake(pulses(swing=12.0))["clear"].any()


def test_without_temperature_only_deeper_sensors_are_used() -> None:
    deep = pulses(swing=None)
    assert day_night.uptake(deep)["clear"].all()
    shallow = deep.with_columns(depth_cm=pl.lit(10.0))
    assert not day_night.uptake(shallow)["clear"].any()


def test_rough_thin_and_unusable_days_are_not_used() -> None:
    frame = pulses().with_row_index()
    i = pl.col("index")
    frame = frame.with_columns(
        residual_pct=pl.when(i == 50).then(0.5).otherwise("residual_pct"),
        day_fall_error_pct=pl.when(i == 50).then(0.4).otherwise("day_fall_error_pct"),
        coverage=pl.when(i == 51).then(0.5).otherwise("coverage"),
        usable=i != 52,
    )
    found = day_night.uptake(frame)
    assert found.filter(~pl.col("clear"))["index"].to_list() == [50, 51, 52]
    assert found.filter(~pl.col("clear"))["pulse_pct"].null_count() == 3


def test_a_big_smooth_fall_is_used_though_its_misfit_is_large_for_the_sensor() -> None:
    """Misfit of the shape grows with the fall: 8% of it here, and five times the usual residual."""
    frame = pulses().with_row_index()
    big = pl.col("index") == 60
    frame = frame.with_columns(
        day_fall_pct=pl.when(big).then(5.0).otherwise("day_fall_pct"),
        residual_pct=pl.when(big).then(0.3).otherwise("residual_pct"),
        day_fall_error_pct=pl.when(big).then(0.4).otherwise("day_fall_error_pct"),
    )
    found = day_night.uptake(frame)
    assert found["clear"].all()
    assert found.filter(big)["pulse_pct"].item() > 4.5


def test_a_probe_that_was_set_elsewhere_is_learned_anew() -> None:
    here = pulses()
    there = pulses(swing=6.0).with_columns(field=pl.lit("g"), day=pl.col("day").dt.offset_by("1y"))
    assert_learned_apart(here, there)


def test_each_crop_year_is_learned_from_its_own_days() -> None:
    here = pulses()
    later = pulses(swing=6.0).with_columns(pl.col("day", "since").dt.offset_by("1y"))
    assert_learned_apart(here, later)


def assert_learned_apart(one: pl.DataFrame, other: pl.DataFrame) -> None:
    both = day_night.uptake(pl.concat([one, other]))
    alone = pl.concat([day_night.uptake(one), day_night.uptake(other)])
    assert both.equals(alone)
    assert not both.equals(both.with_columns(pulse_pct=pl.col("day_fall_pct")))
