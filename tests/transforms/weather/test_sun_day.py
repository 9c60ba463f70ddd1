from datetime import UTC, date, datetime, timedelta

import numpy as np
import polars as pl
import pytest
from astral import Observer, sun

from tests.transforms.frames import check, farm, rows
from transforms.weather import sun_day

LONGITUDE = -100.0
FARM = farm(longitude_deg=LONGITUDE, latitude_deg=50.0, standard_offset_h=-6.0)


def bell(first, n, *, step_s=900, fast_min=0.0, cloud=None, longitude=LONGITUDE, noon_min=0.0):
    """Radiation symmetrical about a noon that the caller gives (minutes after 12 at the meridian)."""
    start = datetime(first.year, first.month, first.day, 6, tzinfo=UTC)
    steps = n * 86400 // step_s
    ends = [start + timedelta(seconds=step_s * (i + 1)) for i in range(steps)]
    out = []
    for i, end in enumerate(ends):
        middle = end - timedelta(seconds=step_s / 2)
        noon_utc_h = 12 - longitude / 15 + noon_min / 60
        hour = middle.hour + middle.minute / 60 + middle.second / 3600
        away = (hour - noon_utc_h + 12) % 24 - 12
        value = 900 * max(0.0, np.cos(away * np.pi / 15))
        value *= 1.0 if cloud is None else cloud(i, away)
        out.append(
            {
                "station": "s",
                "time": end + timedelta(minutes=fast_min),
                "interval_s": float(step_s),
                "solar_radiation_w_m2": value,
            }
        )
    return rows("weather_reading", out)


SPELL = rows("station_spell", [{"station": "s", "from_day": date(2020, 1, 1)}])


def derive(reading, farm_row=FARM, spell=SPELL):
    frame = sun_day.derive(reading, spell, farm_row)
    check(frame, "sun_day")
    return frame


@pytest.mark.parametrize("day", [date(2023, m, d) for m, d in ((2, 11), (5, 14), (7, 26), (11, 3))])
@pytest.mark.parametrize(
    ("latitude", "longitude", "zone_h"), [(50.0, -100.0, -6.0), (-34.5, 138.8, 9.5)]
)
def test_noon_is_that_of_an_independent_library(day, latitude, longitude, zone_h):
    """astral 3.2 (after Meeus), at the turning points of the equation of time."""
    noon = sun.noon(Observer(latitude, longitude), day, tzinfo=UTC)
    mean = 12 - longitude / 15
    noon_min = (noon.hour + noon.minute / 60 + noon.second / 3600 - mean) * 60
    place = farm(longitude_deg=longitude, latitude_deg=latitude, standard_offset_h=zone_h)
    reading = bell(day - timedelta(days=1), 3, longitude=longitude, noon_min=noon_min)
    error = derive(reading, place).filter(pl.col("day") == day)["noon_error_h"].item()
    assert error * 60 == pytest.approx(0, abs=1.0)


@pytest.mark.parametrize("fast_min", [-45, -10, 0, 20])
@pytest.mark.parametrize("step_s", [300, 900, 1800, 3600])
def test_a_clock_that_is_wrong_shows_by_as_much(fast_min, step_s):
    reading = bell(date(2023, 6, 14), 3, step_s=step_s, fast_min=fast_min)
    middle = derive(reading).row(1, named=True)
    assert middle["noon_error_h"] * 60 == pytest.approx(fast_min, abs=2.0)


@pytest.mark.parametrize("step_s", [900, 1800, 3600])
def test_values_of_a_moment_count_at_their_stamp(step_s):
    """Sampled at each stamp, radiation lies half a step later than means of the step before."""
    moments = bell(date(2023, 6, 14), 3, step_s=step_s, fast_min=-step_s / 120)
    spell = SPELL.with_columns(instant=pl.lit(True))
    as_moments, as_means = (derive(moments, spell=s).row(1, named=True) for s in (spell, SPELL))
    assert as_moments["noon_error_h"] * 60 == pytest.approx(0, abs=2.0)
    assert as_means["noon_error_h"] * 60 == pytest.approx(-step_s / 120, abs=2.0)


def test_energy_counts_as_power_does():
    reading = bell(date(2023, 6, 14), 1, noon_min=-10)
    as_energy = reading.with_columns(
        solar_energy_mj_m2=pl.col("solar_radiation_w_m2") * pl.col("interval_s") * 1e-6,
        solar_radiation_w_m2=pl.lit(None, pl.Float64),
    )
    one, other = derive(reading), derive(as_energy)
    assert one["noon_error_h"].item() == pytest.approx(other["noon_error_h"].item(), abs=1e-6)
    assert one["clearness"].item() == pytest.approx(other["clearness"].item(), abs=1e-6)


def test_what_a_day_does_not_tell_is_null_with_its_reason():
    reading = bell(date(2023, 6, 14), 1)
    half = derive(reading.filter(pl.col("time").dt.hour() < 20))
    assert half["noon_error_h"].item() is None
    assert half["reason"].item() == "readings of radiation are missing"
    assert half["partial"].item()
    dark = derive(reading.with_columns(solar_radiation_w_m2=pl.lit(0.1)))
    assert dark["reason"].item() == "hardly any light"
    morning = farm(longitude_deg=LONGITUDE, standard_offset_h=-6.0, day_starts_h=9.0)
    cut = derive(bell(date(2023, 6, 14), 3), morning)
    assert "the farm's day cuts the daylight in two" in cut["reason"].to_list()


def test_daily_rows_and_stations_without_a_spell_have_none():
    reading = bell(date(2023, 6, 14), 1)
    assert derive(reading.with_columns(interval_s=pl.lit(86400.0))).is_empty()
    assert derive(reading.with_columns(station=pl.lit("other"))).is_empty()
    assert derive(reading.clear()).is_empty()


def test_a_day_alone_is_the_day_among_others():
    reading = bell(date(2023, 6, 14), 3, cloud=lambda i, away: 0.5 + 0.5 * np.sin(i) ** 2)
    many = derive(reading)
    day = many["day"][1]
    begins = datetime(day.year, day.month, day.day, 6, tzinfo=UTC)
    inside = pl.col("time").is_between(begins, begins + timedelta(days=1), closed="right")
    alone = derive(reading.filter(inside))
    assert many.filter(pl.col("day") == day).equals(alone)
