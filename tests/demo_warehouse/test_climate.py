from datetime import date

import numpy as np
import pytest

from demo_warehouse.simulator import climate

YEARS = 120


@pytest.fixture(scope="module")
def many_years():
    day = climate.daily(np.random.default_rng(5), date(1901, 1, 1), YEARS * 365)
    _, month = climate.day_numbers(day.first, YEARS * 365)
    return day, month


def test_months_have_the_rain_and_the_warmth_of_the_climate(many_years):
    day, month = many_years
    wanted = climate.Climate()
    for m in range(1, 13):
        rain = day.rain_mm[month == m].sum() / YEARS
        assert rain == pytest.approx(wanted.rain_mm[m - 1], rel=0.12, abs=2.5)
        mean = (day.tmax_c + day.tmin_c)[month == m].mean() / 2
        assert mean == pytest.approx(wanted.temp_mean_c[m - 1], abs=1.8)


def test_the_farm_is_semi_arid_with_its_rain_in_early_summer(many_years):
    day, month = many_years
    assert 350 < day.rain_mm.sum() / YEARS < 500
    by_month = [day.rain_mm[month == m].sum() for m in range(1, 13)]
    assert int(np.argmax(by_month)) + 1 in (5, 6, 7)
    demand = climate.reference_et(day, climate.Climate()).sum() / YEARS
    assert demand > 1.8 * day.rain_mm.sum() / YEARS


def test_extremes_stay_within_what_such_a_place_sees(many_years):
    day, _ = many_years
    assert -52 < day.tmin_c.min() < -28
    assert 33 < day.tmax_c.max() < 46
    assert day.rain_mm.max() < 150
    assert (day.tmax_c > day.tmin_c).all()
    clear = 0.77 * climate.extraterrestrial_mj(50.9, climate.day_numbers(day.first, YEARS * 365)[0])
    assert (day.solar_mj <= clear + 1e-9).all()


def test_hours_of_a_day_sum_to_the_day():
    rng = np.random.default_rng(2)
    day = climate.daily(rng, date(2021, 1, 1), 365)
    hour = climate.hourly(rng, day)
    assert hour.rain_mm.reshape(-1, 24).sum(axis=1) == pytest.approx(day.rain_mm)
    energy = hour.solar_w_m2.reshape(-1, 24).sum(axis=1) * 3600 / 1e6
    assert energy == pytest.approx(day.solar_mj)
    highest = hour.air_temp_c.reshape(-1, 24).max(axis=1)[1:-1]
    assert highest.mean() == pytest.approx(day.tmax_c[1:-1].mean(), abs=0.4)
    assert hour.humidity_pct.max() <= 100


def test_reference_et_is_that_of_the_handbook():
    # Allen et al. 1998, FAO Irrigation and Drainage Paper 56, example 18 (Uccle, 6 July): 3.88 mm.
    day = climate.Daily(
        date(2015, 7, 6), *(np.array([v]) for v in (21.5, 12.3, 0.0, 1.409, 22.07, 2.078))
    )
    uccle = climate.Climate(latitude_deg=50.8, elevation_m=100.0)
    assert climate.reference_et(day, uccle)[0] == pytest.approx(3.88, abs=0.01)
    # the same paper, table 2.6: 50 degrees north in June 41.7 and in December 7.5 MJ/m2
    assert climate.extraterrestrial_mj(50.0, np.array([166.0, 349.0])) == pytest.approx(
        [41.7, 7.5], abs=0.15
    )


def test_the_same_seed_gives_the_same_weather_and_another_another():
    one, same, other = (
        climate.daily(np.random.default_rng(s), date(2021, 1, 1), 60) for s in (1, 1, 2)
    )
    assert (one.rain_mm == same.rain_mm).all()
    assert (one.tmax_c == same.tmax_c).all()
    assert (one.tmax_c != other.tmax_c).any()


def test_winters_freeze_the_ground_and_summers_warm_it(whole_farm):
    ground = whole_farm.ground
    hours = np.arange(len(ground.soil_temp_c))
    january = slice(153 * 24, 184 * 24)  # the record begins on 1 August
    assert ground.soil_temp_c[january, :, 1].mean() < -0.5
    assert ground.soil_temp_c[:, :, 10].min() > -6  # a metre deep
    july = (hours // 24 % 365 > 335) & (hours // 24 % 365 < 364)
    assert 14 < ground.soil_temp_c[july][:, :, 1].mean() < 26
    swing = ground.soil_temp_c[july].reshape(-1, 24, 4, 17)
    by_depth = (swing.max(axis=1) - swing.min(axis=1)).mean(axis=(0, 1))
    assert (np.diff(by_depth[:8]) < 0).all()
    assert by_depth[1] > 2
    assert by_depth[5] < 0.6
    assert 3 < ground.snow_cm.max() < 80
