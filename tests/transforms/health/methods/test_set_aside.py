from datetime import date
from typing import Any

import polars as pl
import pytest

from tests.transforms.frames import rows
from tests.transforms.health.two_strips import (
    LAST,
    N,
    day,
    found,
    health,
    of,
    quality,
    received,
    soil,
    weather,
)

OUT = N - 30


def sheet(to_day: date | None = None, **changes: Any) -> pl.DataFrame:
    usual = {
        "kind": "probe",
        "instrument": "p",
        "what": "50 cm",
        "depth_cm": 50.0,
        "from_day": day(OUT),
        "to_day": to_day,
        "why": "hit by the drill",
    }
    return rows("do_not_use", [usual | changes])


def soil_without(until: int = N, depth: float | None = 50.0) -> pl.DataFrame:
    """A depth (or all of the probe) without values, as the daily table has it, up to a day."""
    return soil(
        lambda d, i, v: None if depth in (d, None) and OUT <= i < until else v
    ).with_columns(
        vwc_coverage=pl.when(pl.col("vwc_mean_pct").is_not_null()).then(1.0).otherwise(0.0)
    )


def findings(frame: pl.DataFrame) -> list[tuple[str, str, str, date, date, bool]]:
    return [f for f in found(frame) if f[2] != "set aside"]


def test_a_depth_that_was_set_aside_is_one_line_with_its_reason_and_no_finding() -> None:
    frame = health(soil_day=soil_without(), do_not_use=sheet())
    assert found(frame) == [("p", "50 cm", "set aside", day(OUT), LAST, True)]
    (row,) = frame.filter(finding="set aside").to_dicts()
    assert (row["cause"], row["severity"], row["depth_cm"]) == ("hit by the drill", "watch", 50.0)
    reasons = frame.filter(part="50 cm", state="not evaluated")["reason"].unique().to_list()
    assert reasons == [f"set aside by the field book since {day(OUT)}: hit by the drill"]
    assert set(frame.filter(part="50 cm")["state"]) == {"found", "not evaluated"}


def test_it_is_judged_again_from_the_day_after() -> None:
    until = sheet(to_day=day(N - 11))
    again = health(soil_day=soil_without(N - 10), do_not_use=until)
    assert findings(again) == []
    assert [f[5] for f in found(again)] == [False]
    still = health(soil_day=soil_without(), do_not_use=until)
    assert findings(still) == [("p", "50 cm", "no values", day(N - 10), LAST, True)]


def test_other_depths_and_what_was_before_are_judged_as_ever() -> None:
    both = soil_without().with_columns(
        vwc_mean_pct=pl.when((pl.col("depth_cm") != 30) | (pl.col("day") < day(N - 9))).then(
            "vwc_mean_pct"
        )
    )
    frame = health(soil_day=both, do_not_use=sheet())
    assert of(frame, "no values") == [("p", "30 cm", day(N - 9), LAST)]


def test_a_sensor_that_was_stuck_before_it_was_set_aside_needs_no_look_any_more() -> None:
    stuck = {"soil_quality_day": quality(stuck=range(N - 40, N - 3))}
    aside = sheet(from_day=day(N - 3), depth_cm=30.0, what="30 cm")
    assert [f[5] for f in findings(health(**stuck))] == [True]
    assert [f[5] for f in findings(health(**stuck, do_not_use=aside))] == [False]


@pytest.mark.parametrize("late", [0, 40])
def test_a_whole_instrument_that_is_set_aside_is_neither_silent_nor_has_gaps(late: int) -> None:
    whole = sheet(what="all", depth_cm=None)
    given = {"soil_day": soil_without(depth=None), "do_not_use": whole}
    frame = health(**given, **received(day(N - 1 - late) if late else LAST))
    assert findings(frame) == []
    assert [f[1:3] for f in found(frame)] == [("whole", "set aside")]
    # Without the sheet it is silent; after its last day too.
    assert len(of(health(soil_day=given["soil_day"]), "silent")) == 1
    ended = whole.with_columns(to_day=pl.lit(day(N - 11)))
    assert of(health(soil_day=given["soil_day"], do_not_use=ended), "silent") == [
        ("p", "whole", day(N - 10), LAST)
    ]


def test_a_gauge_alone_that_is_set_aside_is_its_whole_station() -> None:
    measured = ("_c", "_pct", "_m_s", "_mj_m2", "_kpa")
    here = pl.col("station") == "check"
    gauges = weather(rain_mm=lambda s, i, v: None if s == "check" and i >= OUT else v)
    gauges = gauges.with_columns(
        *(pl.when(~here).then(c).alias(c) for c in gauges.columns if c.endswith(measured)),
        *(
            pl.when(~here | ((pl.col("day") < day(OUT)) & pl.lit(c == "rain_coverage")))
            .then(c)
            .otherwise(0.0)
            .alias(c)
            for c in gauges.columns
            if c.endswith("coverage")
        ),
    )
    aside = sheet(kind="station", instrument="check", what="rain", quantity="rain", depth_cm=None)
    assert of(health(weather_day=gauges), "silent") == [("check", "whole", day(OUT), LAST)]
    frame = health(weather_day=gauges, do_not_use=aside)
    assert findings(frame) == []
    assert [f[:3] for f in found(frame)] == [("check", "whole", "set aside")]


def test_a_sheet_of_tomorrow_changes_nothing_yet() -> None:
    assert health(do_not_use=sheet(from_day=date(2030, 1, 1))).equals(health())
