"""Moisture of the air in whatever way it is reported: against the handbook's examples and each other."""

import polars as pl
import pytest

from schemas.quantities import Instrument, columns_of
from transforms.weather.methods import vapour

NONE = {column.name: None for column in columns_of(Instrument.STATION)}


def of(elevation_m=0.0, interval_s=3600.0, **values):
    row = NONE | values | {"interval_s": interval_s}
    frame = pl.DataFrame([row], schema=dict.fromkeys(row, pl.Float64))
    return frame.select(vapour.of_reading(elevation_m)).item()


def test_what_was_measured_stands():
    assert of(vapour_pressure_kpa=1.4, specific_humidity_g_kg=3.0, air_temp_c=20.0) == 1.4


def test_the_handbooks_deficit_gives_its_vapour_pressure():
    """FAO-56 example 5: 25 and 18 °C, humidities 82 and 54%: 1.70 kPa, deficit 0.91 kPa of 2.61."""
    day = of(
        interval_s=86400.0,
        vapour_pressure_deficit_kpa=0.91,
        air_temp_max_c=25.0,
        air_temp_min_c=18.0,
        air_temp_c=21.5,
    )
    assert day == pytest.approx(1.70, abs=0.01)


def test_an_hour_goes_by_its_mean_temperature():
    """FAO-56 annex 2, table 2.3: 2.338 kPa at 20 °C."""
    extremes = {"air_temp_max_c": 26.0, "air_temp_min_c": 14.0}
    assert of(vapour_pressure_deficit_kpa=1.0, air_temp_c=20.0, **extremes) == pytest.approx(
        1.338, abs=0.001
    )


def test_a_deficit_larger_than_saturation_is_dry_air():
    assert of(vapour_pressure_deficit_kpa=3.0, air_temp_c=10.0) == 0.0


def test_a_deficit_without_temperature_says_nothing():
    assert of(vapour_pressure_deficit_kpa=1.0) is None


@pytest.mark.parametrize("pressure", [101.325, 84.0])
@pytest.mark.parametrize("kpa", [0.1, 1.2, 4.0])
def test_specific_humidity_there_and_back(kpa, pressure):
    """The mass of vapour in moist air by the gas law: 18.015 and 28.964 g/mol (dry air)."""
    vapour_mass, dry_mass = 18.015 * kpa, 28.964 * (pressure - kpa)
    g_kg = 1000 * vapour_mass / (vapour_mass + dry_mass)
    found = of(specific_humidity_g_kg=g_kg, air_pressure_kpa=pressure)
    assert found == pytest.approx(kpa, rel=1e-3)


def test_pressure_that_is_not_measured_is_that_of_the_elevation():
    """FAO-56 example 2: 81.8 kPa at 1,800 m."""
    by_elevation = of(1800.0, specific_humidity_g_kg=8.0)
    assert by_elevation == pytest.approx(
        of(specific_humidity_g_kg=8.0, air_pressure_kpa=81.8), rel=1e-3
    )
