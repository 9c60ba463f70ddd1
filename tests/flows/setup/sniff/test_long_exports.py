from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
import pytest

from flows.setup.sniff.finding import CannotSniff, Sure
from flows.setup.sniff.propose import propose
from schemas.farm.farm import Place
from schemas.farm.layout import Layout
from tests.bench.sniffed import weather

PLACE = Place(latitude=49.6, longitude=-97.2, elevation_m=240, time_zone="America/Winnipeg")


def questions(proposal):
    return {f.item for f in proposal.found if f.sure is Sure.UNSURE}


def days(first, n):
    return [datetime.fromisoformat(first) + timedelta(days=i) for i in range(n)]


def test_a_daily_export_with_a_row_a_sensor():
    lines = ["date,sensor,value"]
    for i, day in enumerate(days("2020-05-01", 60)):
        for name, value in (
            ("Air Temp (C)", 15 + i % 9),
            ("RH (%)", 60),
            ("Rain (mm)", 0.2 * (i % 4)),
        ):
            lines.append(f"{day:%Y-%m-%d},{name},{value}")
    proposal = propose("\n".join([*lines, ""]).encode(), PLACE)
    assert proposal.layout["series_column"] == "sensor"
    assert (proposal.layout["step"], proposal.layout["stamp"]) == ("1 day", "start")
    assert "columns.Rain (mm).unit" not in questions(proposal)
    Layout.model_validate(proposal.layout)


def test_rows_of_a_day_alone_have_no_time():
    rows = [f"2020-05-{1 + i // 24:02d},{15 + i % 9}.5" for i in range(240)]
    with pytest.raises(CannotSniff, match="No column of times"):
        propose("\n".join(["date,Air Temp (C)", *rows, ""]).encode(), PLACE)


@pytest.mark.parametrize("by_time", [True, False])
def test_several_stations_in_one_file(by_time):
    lines = [
        (f"{day:%Y-%m-%d %H:%M}", name, 12 + (i + k) % 9, 0.2 * (i % 5 == 0))
        for k, name in enumerate(("W1", "E2"))
        for i, day in enumerate(datetime(2020, 6, 1) + timedelta(hours=h) for h in range(600))
    ]
    lines.sort(key=lambda row: row[0] if by_time else row[1])
    rows = [",".join(map(str, line)) for line in lines]
    text = "\n".join(["time,Station id,Air Temp (C),Rain (mm)", *rows, ""])
    proposal = propose(text.encode(), PLACE)
    assert proposal.layout["instrument_column"] == "Station id"
    assert proposal.layout["step"] == "1 h"
    assert "step" not in questions(proposal)
    (found,) = [f for f in proposal.found if f.item == "instrument_column"]
    assert "E2, W1" in found.evidence
    Layout.model_validate(proposal.layout)


def test_a_column_that_names_no_instrument_is_not_one():
    lines = [
        f"2020-06-{1 + h // 24:02d} {h % 24:02d}:00,unit {h % 3},{12 + h % 9}" for h in range(480)
    ]
    proposal = propose("\n".join(["time,name,Air Temp (C)", *lines, ""]).encode(), PLACE)
    assert "instrument_column" not in proposal.layout


def test_a_depth_column_in_inches():
    lines = ["time;Depth [in];Soil Moisture (%)"]
    for hour in range(240):
        for depth in (4, 12, 24):
            stamp = f"2020-06-{1 + hour // 24:02d} {hour % 24:02d}:00"
            lines.append(f"{stamp};{depth};{20 + depth / 10 + hour / 100:.2f}")
    layout = propose("\n".join([*lines, ""]).encode(), PLACE).layout
    assert (layout["depth_column"], layout["depth_unit"]) == ("Depth [in]", "inch")
    assert layout["step"] == "1 h"
    Layout.model_validate(layout)


def test_many_rows_a_time_are_no_autumn_change():
    """Three rows a time, every hour of the autumn change once: the clock keeps standard time."""
    lines = ["time,Station,Air Temp (C)"]
    for hour in range(24 * 30):
        at = datetime(2020, 10, 15) + timedelta(hours=hour)
        lines += [f"{at:%Y-%m-%d %H:%M},{s},{5 + hour % 11}" for s in ("a", "b", "c")]
    proposal = propose("\n".join([*lines, ""]).encode(), PLACE)
    zone = next(f for f in proposal.found if f.item == "time.zone")
    assert "goes straight through" in zone.evidence
    assert "zone" not in proposal.layout["time"]


def test_a_long_value_late_in_a_fixed_width_file_is_not_cut():
    rows = []
    for hour in range(900):
        at = datetime(2020, 6, 1) + timedelta(hours=hour)
        rain = "0" if hour < 700 or hour % 7 else "0.094"
        rows.append(f"{at:%Y-%m-%d %H:%M}{15 + hour % 9:>10}{rain:>10}")
    head = f"{'Date Time':>16}{'T (C)':>10}{'R (in)':>10}"
    fields = propose("\n".join([head, *rows, ""]).encode(), PLACE).layout["fields"]
    first, last = list(fields.values())[-1]
    assert {row[first - 1 : last].strip() for row in rows} == {"0", "0.094"}


@pytest.mark.parametrize(
    ("unit", "factor", "decimals"),
    [("mm", 1.0, 1), ("0.1 mm", 10.0, 0), ("inch", 1 / 25.4, 3)],
)
def test_the_step_of_the_gauge_tells_the_unit_of_rain(unit, factor, decimals):
    rng = np.random.default_rng(4)
    fell = np.where(rng.random(24 * 60) < 0.05, rng.integers(1, 30, 24 * 60) * 0.2, 0.0)
    rows = [
        f"{datetime(2020, 6, 1) + timedelta(hours=i):%Y-%m-%d %H:%M},{v * factor:.{decimals}f}"
        for i, v in enumerate(fell)
    ]
    proposal = propose("\n".join(["time,Rain", *rows, ""]).encode(), PLACE)
    assert proposal.layout["columns"]["Rain"]["unit"] == unit
    assert "columns.Rain.unit" not in questions(proposal)


@pytest.mark.parametrize("step_s", [900, 1800, 3600])
@pytest.mark.parametrize("stamp", ["start", "end"])
def test_the_sun_tells_the_end_of_short_steps_too(step_s, stamp):
    n = 14 * 86400 // step_s
    ends = [
        datetime(2020, 7, 1, tzinfo=UTC) + timedelta(seconds=step_s * (i + 1)) for i in range(n)
    ]
    times = pl.Series(ends, dtype=pl.Datetime("us", "UTC"))
    solar = weather(PLACE, times, step_s, np.random.default_rng(2))["solar_radiation"]
    back = timedelta(seconds=step_s if stamp == "start" else 0)
    rows = [f"{int((t - back).timestamp())},{v:.0f}" for t, v in zip(ends, solar, strict=True)]
    proposal = propose("\n".join(["stamp,Solar (W/m2)", *rows, ""]).encode(), PLACE)
    assert proposal.layout["stamp"] == stamp
    assert "stamp" not in questions(proposal)


def test_a_clock_half_a_short_step_wrong_is_asked_about():
    step_s = 900
    first = datetime(2020, 7, 1, tzinfo=UTC)
    ends = [first + timedelta(seconds=step_s * (i + 1)) for i in range(14 * 96)]
    times = pl.Series(ends, dtype=pl.Datetime("us", "UTC"))
    solar = weather(PLACE, times, step_s, np.random.default_rng(2))["solar_radiation"]
    wrong = timedelta(minutes=-7)
    rows = [f"{int((t + wrong).timestamp())},{v:.0f}" for t, v in zip(ends, solar, strict=True)]
    proposal = propose("\n".join(["stamp,Solar (W/m2)", *rows, ""]).encode(), PLACE)
    assert "stamp" in questions(proposal)
