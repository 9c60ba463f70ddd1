from datetime import timedelta

import numpy as np
import polars as pl
import pytest

from schemas import generated
from schemas.catalogue import TABLES
from tests.transforms.frames import check, farm, rows, utc
from transforms.methods import sun
from transforms.soil import soil_pulse_day

FARM = farm(longitude_deg=-100.0, latitude_deg=50.0, standard_offset_h=-6.0)
SPELL = rows(
    "probe_spell",
    [{"probe": "p", "from_day": utc("2024-01-01 00:00").date(), "field": "f", "strip": "check"}],
)
SENSOR = rows("sensor", [{"probe": "p", "depth_cm": 30.0}])


def readings(
    fall: float,
    slope: float,
    response: float = 0.0,
    *,
    step_min: int = 30,
    n_days: int = 7,
    noise: float = 0.0,
    depth: float = 30.0,
) -> pl.DataFrame:
    """A sensor that falls by ``fall`` % each day by sunlight and moves by ``slope`` % a day."""
    start = utc("2024-06-10 06:00")
    n = n_days * 24 * 60 // step_min
    frame = pl.DataFrame(
        {"time": [start + timedelta(minutes=step_min * (i + 1)) for i in range(n)]}
    )
    frame = frame.with_columns(pl.col("time").cast(pl.Datetime("us", "UTC")))
    middle = pl.col("time") - pl.duration(minutes=step_min / 2)
    hours = frame.select(sun.solar_hours(middle, -100.0)).to_series().to_numpy()
    half = frame.select(sun.half_day_h(pl.col("time").dt.ordinal_day(), 50.0)).to_series()
    day = np.floor(hours / 24)
    x = hours - day * 24 - 12
    fallen = (
        pl.DataFrame({"x": x, "h": half})
        .select(sun.sunlight_so_far(pl.col("x"), pl.col("h")))
        .to_series()
        .to_numpy()
    )
    temp = 15 + 4 * np.cos(2 * np.pi * (x - 5) / 24)
    rng = np.random.default_rng(3)
    vwc = (
        36
        - fall * (day - day[0] + fallen)
        + slope * hours / 24
        - slope * hours[0] / 24
        + response * (temp - 15)
        + rng.normal(0, 1, n) * noise
    )
    return rows(
        "soil_reading",
        [
            {
                "probe": "p",
                "depth_cm": depth,
                "time": t,
                "interval_s": step_min * 60.0,
                "vwc_pct": float(v),
                "soil_temp_c": float(c),
            }
            for t, v, c in zip(frame["time"], vwc, temp, strict=True)
        ],
    )


def whole_days(result: pl.DataFrame) -> pl.DataFrame:
    """The days that have both nights."""
    return result.filter(pl.col("coverage") > 0.99)


def derived(frame: pl.DataFrame) -> pl.DataFrame:
    result = soil_pulse_day.derive(frame, SPELL, SENSOR, FARM)
    check(result, "soil_pulse_day")
    return result


@pytest.mark.parametrize("step_min", [10, 60])
@pytest.mark.parametrize(("fall", "slope"), [(0.4, 0.0), (0.4, -0.3), (0.0, -0.3), (0.4, 0.3)])
def test_fall_by_day_apart_from_the_slope_of_the_nights(
    fall: float, slope: float, step_min: int
) -> None:
    whole = whole_days(derived(readings(fall, slope, step_min=step_min)))
    assert whole.height == 5
    assert whole["day_fall_pct"].to_list() == pytest.approx([fall] * 5, abs=0.01)
    assert whole["night_slope_pct_d"].to_list() == pytest.approx([slope] * 5, abs=0.01)
    assert whole["residual_pct"].max() < 0.01
    assert not whole["partial"].any()


def test_drainage_that_fades_is_no_uptake() -> None:
    frame = readings(0.0, 0.0)
    age = (pl.col("time") - pl.col("time").min()).dt.total_minutes() / 1440
    frame = frame.with_columns(vwc_pct=36 + 3 * (-age / 3).exp())
    assert whole_days(derived(frame))["day_fall_pct"].abs().max() < 0.05


def test_the_same_fit_of_temperature_carries_its_error() -> None:
    whole = whole_days(derived(readings(0.3, -0.1, response=0.1)))
    corrected = whole["day_fall_pct"] - 0.1 * whole["temp_day_fall_c"]
    assert corrected.to_list() == pytest.approx([0.3] * 5, abs=0.01)
    assert whole["temp_response_pct_c"].to_list() == pytest.approx([0.1] * 5, abs=0.01)
    assert whole["day_fall_pct"][0] != pytest.approx(0.3, abs=0.05)


def test_the_error_is_that_of_the_fit() -> None:
    whole = whole_days(derived(readings(0.3, 0.0, noise=0.1, n_days=60, step_min=10)))
    off = (whole["day_fall_pct"] - 0.3).to_numpy()
    assert whole["residual_pct"].mean() == pytest.approx(0.1, rel=0.05)
    assert off.std() == pytest.approx(whole["day_fall_error_pct"].mean(), rel=0.25)


def test_a_spike_is_left_out_and_counted() -> None:
    frame = readings(0.4, 0.0, noise=0.01)
    spiked = frame.with_row_index().with_columns(
        vwc_pct=pl.when(pl.col("index") == 160).then(5.0).otherwise("vwc_pct")
    )
    result = derived(spiked.drop("index"))
    assert result["spikes"].sum() == 1
    assert whole_days(result)["day_fall_pct"].to_list() == pytest.approx([0.4] * 5, abs=0.03)


def test_too_few_readings_give_no_fit_but_a_row_that_says_so() -> None:
    daily = readings(0.4, 0.0, step_min=1440)
    result = derived(daily)
    assert result.height >= 6
    assert result["day_fall_pct"].null_count() == result.height
    assert result["partial"].all()
    assert result["reason"].null_count() == 0


def test_a_day_made_again_from_its_margin_is_the_same_to_the_last_digit() -> None:
    one = readings(0.4, -0.2, noise=0.05, n_days=9)
    spiky = pl.col("time").dt.hour().is_in([3, 11, 20]) & (pl.col("time").dt.minute() == 0)
    one = one.with_columns(vwc_pct=pl.when(spiky).then(30.0).otherwise("vwc_pct"))
    two = readings(0.1, 0.1, noise=0.05, n_days=9, depth=70.0)
    whole = derived(pl.concat([one, two]))
    day = utc("2024-06-14 06:00")
    margin = timedelta(days=soil_pulse_day.MARGIN_DAYS)
    part = one.filter(
        pl.col("time").is_between(day - margin, day + margin + timedelta(days=1), closed="right")
    )
    again = derived(part).filter(pl.col("day") == day.date())
    assert again.height == 1
    assert again.equals(whole.filter((pl.col("day") == day.date()) & (pl.col("depth_cm") == 30)))


def test_the_day_is_the_farms() -> None:
    # A farm whose day starts at 09:00 calls noon of 12 June by that date; one whose day starts
    # at 18:00 had begun it the evening before.
    frame = readings(0.4, 0.0)
    nine = soil_pulse_day.derive(
        frame,
        SPELL,
        SENSOR,
        farm(longitude_deg=-100.0, latitude_deg=50.0, standard_offset_h=-6.0, day_starts_h=9.0),
    )
    eighteen = soil_pulse_day.derive(
        frame,
        SPELL,
        SENSOR,
        farm(longitude_deg=-100.0, latitude_deg=50.0, standard_offset_h=-6.0, day_starts_h=18.0),
    )
    assert nine["day"][0] - eighteen["day"][0] == timedelta(days=1)


def test_empty() -> None:
    check(derived(generated.empty(TABLES["soil_reading"])), "soil_pulse_day")


@pytest.mark.parametrize("moved_c", [0.0, 0.01, 0.1])
def test_where_temperature_hardly_moved_the_response_to_it_is_not_known(moved_c: float) -> None:
    """A wetting front passes while the soil's temperature stays, but for a single reading."""
    frame = readings(0.3, 0.0, noise=0.02).with_row_index()
    front = 12.0 / (1 + (-(pl.col("index").cast(pl.Float64) - 168)).exp())
    frame = frame.with_columns(
        vwc_pct=pl.col("vwc_pct") + front,
        soil_temp_c=pl.when(pl.col("index") == 168).then(8.0 + moved_c).otherwise(8.0),
    ).drop("index")
    result = derived(frame)  # held to the declared limits
    fitted = result.filter(pl.col("day_fall_pct").is_not_null())
    still = fitted.filter(pl.col("temp_response_pct_c").is_null())
    assert still["reason"].str.contains("temperature hardly moved").all()
    assert still.height == fitted.height if moved_c < 0.1 else still.height < fitted.height


def test_a_response_is_known_from_a_small_but_steady_course_of_temperature() -> None:
    frame = readings(0.3, -0.1, response=0.1)
    small = 8.0 + (pl.col("soil_temp_c") - 15.0) / 40
    frame = frame.with_columns(
        vwc_pct=pl.col("vwc_pct") - 0.1 * (pl.col("soil_temp_c") - small), soil_temp_c=small
    )
    whole = whole_days(derived(frame))
    assert whole["temp_response_pct_c"].to_list() == pytest.approx([0.1] * 5, abs=0.02)
    assert whole["reason"].null_count() == whole.height


def test_a_logger_slower_than_hourly_is_measured_by_its_own_step() -> None:
    """Two or three readings in each night of eight hours are all that it can give."""
    slow = derived(readings(0.4, -0.2, step_min=180)).filter(pl.col("coverage") > 0.9)
    assert slow.height >= 5
    assert not slow["partial"].any()
    assert slow["day_fall_pct"].to_list() == pytest.approx([0.4] * slow.height, abs=0.03)
    half = readings(0.4, -0.2, step_min=180).with_row_index().filter(pl.col("index") % 2 == 0)
    gaps = derived(half.drop("index"))
    assert gaps["coverage"].max() < 0.7
