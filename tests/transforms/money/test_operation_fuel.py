"""operation_fuel: first working and repeat, soil water at working depth."""

from __future__ import annotations

from datetime import date

import pytest

from schemas import generated
from schemas.catalogue import TABLES
from tests.transforms import invented_trial
from tests.transforms.frames import by_key, check, rows
from transforms.money import operation_fuel


def _water(day: str, strip: str, top: float, bottom: float, vwc: float, **more):
    return {
        "probe": strip,
        "depth_cm": (top + bottom) / 2,
        "day": date.fromisoformat(day),
        "field": "north",
        "strip": strip,
        "layer_top_cm": top,
        "layer_bottom_cm": bottom,
        "vwc_pct": vwc,
        "available_water_share": (vwc - 20) / 20,
        "quality": "good",
        **more,
    }


def _derive(operations, water=()):
    out = operation_fuel.derive(operations, rows("soil_water_day", list(water)))
    check(out, "operation_fuel")
    return by_key(out, "operation_fuel")


def test_a_repeat_on_loosened_ground_takes_a_tenth_less() -> None:
    """Common practice, no source: 2 gal/ac never worked, 1.8 on ground worked four years before."""
    gal_ac = 3.785411784 / 0.40468564224
    out = _derive(
        invented_trial.operations(
            invented_trial.worked("north", "2022-10-20", fuel_l_ha=1.8 * gal_ac, speed_km_h=7.0),
            invented_trial.worked("north", "2018-10-20", fuel_l_ha=2.0 * gal_ac, speed_km_h=6.5),
            invented_trial.worked("south", "2018-10-21", fuel_l_ha=3.0 * gal_ac),
        )
    )
    first, repeat = (
        out["north", "treated", date(y, 10, 20), invented_trial.PRACTICE] for y in (2018, 2022)
    )
    assert first["working"] == 1
    assert first["fuel_against_first_pct"] is None
    assert repeat["working"] == 2
    assert repeat["years_since_last"] == pytest.approx(4.0, abs=0.01)
    assert repeat["fuel_against_first_pct"] == pytest.approx(-10)
    assert repeat["speed_against_first_km_h"] == pytest.approx(0.5)
    assert out["south", "treated", date(2018, 10, 21), invented_trial.PRACTICE]["working"] == 1


def test_soil_water_is_of_the_layer_at_working_depth_in_the_week_before() -> None:
    out = _derive(
        invented_trial.operations(
            invented_trial.worked("north", "2018-10-20", fuel_l_ha=19.0, speed_km_h=6.0)
        ),
        [
            _water("2018-10-18", "treated", 25, 45, 30.0),
            _water("2018-10-18", "check", 25, 45, 34.0),
            _water("2018-10-17", "check", 25, 45, 10.0),  # older
            _water("2018-10-18", "check", 45, 65, 50.0),  # deeper
            _water("2018-10-18", "check", 5, 25, 70.0),  # shallower
            _water("2018-10-21", "check", 25, 45, 60.0),  # after, and there is one before
        ],
    )
    (row,) = out.values()
    assert row["vwc_pct"] == pytest.approx(32)
    assert row["available_water_share"] == pytest.approx(0.6)
    assert row["soil_water_day"] == date(2018, 10, 18)
    assert not row["partial"]


def test_a_repeat_looks_at_its_own_strip() -> None:
    out = _derive(
        invented_trial.operations(
            invented_trial.worked("north", "2018-10-20"),
            invented_trial.worked("north", "2022-10-20"),
        ),
        [
            _water("2022-10-18", "treated", 25, 45, 30.0),
            _water("2022-10-18", "check", 25, 45, 34.0),
        ],
    )
    assert out["north", "treated", date(2022, 10, 20), invented_trial.PRACTICE]["vwc_pct"] == 30
    first = out["north", "treated", date(2018, 10, 20), invented_trial.PRACTICE]
    assert first["vwc_pct"] is None
    assert first["reason"] == "not known: fuel, speed, soil water at working depth"
    assert first["partial"]


def test_a_probe_that_was_out_for_the_work_counts_after_it_in_the_unworked_strip() -> None:
    out = _derive(
        invented_trial.operations(invented_trial.worked("north", "2018-10-20")),
        [
            _water("2018-10-24", "check", 25, 45, 31.0),
            _water("2018-10-26", "check", 25, 45, 33.0),
            _water("2018-10-23", "treated", 25, 45, 20.0),  # loosened
            _water("2018-11-10", "check", 25, 45, 40.0),
        ],
    )
    (row,) = out.values()
    assert (row["vwc_pct"], row["soil_water_day"]) == (31, date(2018, 10, 24))


def test_a_bad_sensor_and_an_old_reading_do_not_count() -> None:
    out = _derive(
        invented_trial.operations(invented_trial.worked("north", "2018-10-20")),
        [
            _water("2018-10-19", "check", 25, 45, 30.0, quality="bad"),
            _water("2018-10-13", "check", 25, 45, 30.0),
        ],
    )
    (row,) = out.values()
    assert row["vwc_pct"] is None


def test_empty() -> None:
    out = operation_fuel.derive(
        generated.empty(TABLES["operation"]), generated.empty(TABLES["soil_water_day"])
    )
    assert out.is_empty()


def test_a_working_depth_on_the_border_of_two_layers_is_of_the_upper_one() -> None:
    """As in ``working_window``: the soil just above the point is what is worked."""
    out = _derive(
        invented_trial.operations(invented_trial.worked("north", "2018-10-20", depth_cm=45.0)),
        [_water("2018-10-18", "check", 25, 45, 30.0), _water("2018-10-18", "check", 45, 65, 50.0)],
    )
    (row,) = out.values()
    assert row["vwc_pct"] == 30.0
