"""What must not be used is left out of readings and days, and only that."""

from datetime import date, timedelta

import polars as pl
import pytest

from schemas.quantities import Instrument, columns_of
from tests.transforms import frames
from transforms.methods import not_used
from transforms.weather import water_meter_day, weather_day

SPELL = frames.rows("station_spell", [{"station": "s", "from_day": date(2020, 1, 1)}])


def bad(  # noqa: PLR0917
    first, last=None, quantity=None, depth=None, instrument="s", kind="station"
):
    return {
        "kind": kind,
        "instrument": instrument,
        "what": "all",
        "from_day": date.fromisoformat(first),
        "to_day": date.fromisoformat(last) if last else None,
        "quantity": quantity,
        "depth_cm": depth,
        "why": "nest",
    }


def sheet(*rows):
    return frames.rows("do_not_use", rows)


def hourly(table, days, **values):
    items = [
        {"time": frames.utc(day) + timedelta(hours=hour), "interval_s": 3600.0, **values}
        for day in days
        for hour in range(1, 25)
    ]
    return frames.rows(table, items)


@pytest.mark.parametrize("kind", Instrument)
def test_an_instrument_that_is_not_used_has_no_value_on_its_days_alone(kind):
    values = {column.name: 1.0 for column in columns_of(kind)}
    values |= {kind.value: "s"} | ({"depth_cm": 30.0} if kind is Instrument.PROBE else {})
    table = "weather_reading" if kind is Instrument.STATION else "soil_reading"
    readings = hourly(table, ["2020-06-01", "2020-06-02", "2020-06-03"], **values)
    rows = sheet(bad("2020-06-02", "2020-06-02", kind=kind.value))
    found = not_used.readings_used(readings, rows, frames.farm())
    assert found.columns == readings.columns
    assert found["time"].equals(readings["time"])
    day = (pl.col("time") - timedelta(seconds=1)).dt.date()
    left = found.filter(day == date(2020, 6, 2)).drop("^(rain|water)_counter.*$")
    for column in columns_of(kind):
        if column.name in left.columns:
            assert left[column.name].null_count() == left.height
    others = day != date(2020, 6, 2)
    assert found.filter(others).equals(readings.filter(others))


def test_a_quantity_and_a_depth_are_left_out_alone():
    soil = [
        hourly("soil_reading", ["2020-06-01"], probe=p, depth_cm=d, vwc_pct=30.0, soil_temp_c=9.0)
        for p in ("p", "q")
        for d in (10.0, 30.0)
    ]
    readings = pl.concat(soil)
    rows = [bad("2020-01-01", None, "soil moisture", 30.4, "p", "probe")]
    found = not_used.readings_used(readings, sheet(*rows), frames.farm())
    lost = found.filter(pl.col("vwc_pct").is_null()).select("probe", "depth_cm").unique().rows()
    assert lost == [("p", 30.0)]
    assert found["soil_temp_c"].null_count() == 0
    all_of_it = not_used.readings_used(
        readings, sheet(bad("2020-06-01", None, None, 10.0, "q", "probe")), frames.farm()
    )
    lost = all_of_it.filter(pl.col("soil_temp_c").is_null()).select("probe", "depth_cm").unique()
    assert lost.rows() == [("q", 10.0)]


def test_rain_of_a_counter_counts_again_from_the_first_good_day():
    """The total goes on through the bad days: what it gained there is not rain of the good ones."""
    days = ["2020-06-01", "2020-06-02", "2020-06-03"]
    readings = hourly("weather_reading", days, station="s", air_temp_c=9.0)
    total = pl.Series("rain_counter_mm", [float(i) for i in range(readings.height)])
    readings = readings.with_columns(total)
    rows = sheet(bad("2020-06-02", "2020-06-02", "rain"))
    used = not_used.readings_used(readings, rows, frames.farm())
    made = weather_day.derive(used, SPELL, frames.farm())
    plain = weather_day.derive(readings, SPELL, frames.farm())
    found = not_used.days_marked(made, rows)
    assert found["rain_mm"].to_list() == [plain["rain_mm"][0], None, plain["rain_mm"][2]]
    assert found["rain_coverage"][1] == 0.0
    assert found["rain_reason"][1] == "not used: nest"
    assert found["partial"].to_list()[1] is True
    assert found["air_temp_mean_c"].to_list() == [9.0] * 3


def test_a_total_that_reaches_back_into_a_bad_day_is_not_used_either():
    day = {"station": "s", "day": date(2020, 6, 5), "rain_mm": 30.0, "rain_coverage": 1.0}
    days = frames.rows("weather_day", [{**day, "rain_since_day": date(2020, 6, 2)}])
    (row,) = not_used.days_marked(days, sheet(bad("2020-06-01", "2020-06-03", "rain"))).to_dicts()
    assert (row["rain_mm"], row["rain_since_day"], row["rain_coverage"]) == (None, None, 0.0)
    (row,) = not_used.days_marked(days, sheet(bad("2020-06-01", "2020-06-03", "wind"))).to_dicts()
    assert (row["rain_mm"], row["rain_reason"], row["partial"]) == (30.0, None, None)


def test_a_meter_that_must_not_be_used_is_unknown_on_its_days_and_its_total_goes_on():
    days = ["2020-06-01", "2020-06-02", "2020-06-03"]
    readings = hourly("weather_reading", days, station="s")
    total = pl.Series("water_counter_m3", [10.0 * i for i in range(readings.height)])
    readings = readings.with_columns(total)
    for quantity, volumes in (
        ("water meter", [230.0, None, 240.0]),
        ("rain", [230.0, 240.0, 240.0]),
    ):
        rows = sheet(bad("2020-06-02", "2020-06-02", quantity))
        used = not_used.readings_used(readings, rows, frames.farm())
        made = water_meter_day.derive(used, SPELL, frames.farm())
        found = not_used.days_marked(made, rows)
        assert found["volume_m3"].to_list() == [pytest.approx(v) for v in volumes]
        left_out = volumes[1] is None
        assert (found["volume_coverage"][1] == 0.0) is left_out
        assert (found["reason"][1] == "not used: nest") is left_out


def test_spells_of_rain_of_a_bad_day_are_left_out():
    spell = {"station": "s", "rain_mm": 1.0, "began": frames.utc("2020-06-05 01:00")}
    spells = frames.rows("rain_spell", [{**spell, "day": date(2020, 6, n)} for n in (4, 5)])
    found = not_used.days_marked(spells, sheet(bad("2020-06-05", None, "rain")))
    assert found["day"].to_list() == [date(2020, 6, 4)]
    assert not_used.days_marked(spells, sheet(bad("2020-06-05", None, "wind"))).equals(spells)
