from datetime import date, timedelta
from typing import Any

import numpy as np
import polars as pl
import pytest

from schemas import generated
from schemas.catalogue import TABLES
from schemas.tables.health.station_health import SEVERITY
from tests.transforms.frames import check, farm, rows, utc
from transforms.health import station_health
from transforms.health.methods.advice import ADVICE, MISSING

FIRST, N = date(2023, 4, 1), 540
DAYS = [FIRST + timedelta(days=i) for i in range(N)]
LAST = DAYS[-1]
SIDES = ("treated", "check")
DEPTHS = (10.0, 30.0, 50.0)
PROBE = {"probe": "p", "field": "a", "strip": "check"}
COVERED = ("air_temp", "humidity", "rain", "wind", "solar")
USUAL = {
    "field": "a",
    "air_temp_min_c": 8.0,
    "air_temp_max_c": 22.0,
    "relative_humidity_min_pct": 40.0,
    "relative_humidity_max_pct": 90.0,
    "wind_speed_mean_m_s": 3.0,
    "readings": 96,
    **{f"{quantity}_coverage": 1.0 for quantity in COVERED},
}


def weather(**changes: Any) -> pl.DataFrame:
    """Two stations side by side; ``changes`` give column: function(strip, i, value)."""
    rng = np.random.default_rng(3)
    fallen = np.where(rng.random(N) < 0.4, rng.gamma(1.0, 9.0, N), 0.0)
    noise = rng.normal(0, 0.02, (2, N))
    out = []
    for s, strip in enumerate(SIDES):
        for i, day in enumerate(DAYS):
            row: dict[str, Any] = {
                **USUAL,
                "station": strip,
                "strip": strip,
                "day": day,
                "air_temp_mean_c": 15 + noise[s, i],
                "relative_humidity_mean_pct": 60 + 10 * noise[s, i],
                "rain_mm": float(fallen[i] * (1 + noise[s, i])),
                "solar_energy_mj_m2": 20 + noise[s, i],
                "battery_min_v": 12.6 + 0.2 * np.cos(i / 58) + noise[s, i],
            }
            kept = True
            for column, change in changes.items():
                if column == "drop":
                    kept &= not change(strip, i)
                else:
                    row[column] = change(strip, i, row[column])
            if kept:
                out.append(row)
    return rows("weather_day", out)


def soil(change: Any = lambda depth, i, v: v) -> pl.DataFrame:
    rng = np.random.default_rng(5)
    return rows(
        "soil_day",
        [
            {
                "depth_cm": depth,
                "day": day,
                "vwc_mean_pct": change(depth, i, 20 + depth / 5 + rng.normal(0, 0.05)),
            }
            for depth in DEPTHS
            for i, day in enumerate(DAYS)
        ],
        **PROBE,
        soil_temp_min_c=12.0,
        readings=24,
    )


def quality(stuck: range = range(0), impossible: range = range(0)) -> pl.DataFrame:
    return rows(
        "soil_quality_day",
        [
            {
                "day": day,
                "stuck": i in stuck,
                "impossible": None if i in stuck else i in impossible,
            }
            for i, day in enumerate(DAYS)
        ],
        probe="p",
        depth_cm=30.0,
        quality="good",
        usable=True,
    )


def health(**given: pl.DataFrame) -> pl.DataFrame:
    names = ("delivery", "delivery_instrument", "quarantine", "sun_day", "normal_day")
    frame = station_health.derive(
        **{
            "weather_day": weather(),
            "soil_day": soil(),
            "soil_quality_day": quality(),
            "farm": farm(),
            "station_spell": rows(
                "station_spell",
                [{"station": s, "from_day": FIRST, "field": "a", "strip": s} for s in SIDES],
            ),
            "probe_spell": rows(
                "probe_spell",
                [{"probe": "p", "from_day": FIRST, "field": "a", "strip": "check"}],
            ),
            "sensor": rows("sensor", [{"probe": "p", "depth_cm": d} for d in DEPTHS]),
            **{name: generated.empty(TABLES[name]) for name in names},
            **given,
        }
    )
    check(frame, "station_health")
    return frame


def found(frame: pl.DataFrame) -> list[tuple[str, str, str, date, date, bool]]:
    return (
        frame.filter(pl.col("state") == "found")
        .select("instrument", "part", "finding", "from_day", "to_day", "current")
        .rows()
    )


def day(i: int) -> date:
    return DAYS[i]


def test_every_finding_has_its_words() -> None:
    assert set(SEVERITY) == set(ADVICE) == set(MISSING)
    assert set(SEVERITY.values()) == {"hands", "watch"}


def test_well_kept_instruments_have_no_finding_and_what_was_not_looked_at_is_not_good() -> None:
    frame = health()
    assert found(frame) == []
    assert frame["current"].all()
    state = {r[:3]: r[3] for r in frame.select("instrument", "part", "finding", "state").rows()}
    assert state["treated", "clock", "clock"] == "not evaluated"
    assert state["p", "battery", "battery failing"] == "not evaluated"
    assert state["p", "10 cm", "stuck"] == "not evaluated"  # quality knows only 30 cm
    assert state["p", "30 cm", "stuck"] == "good"
    assert state["check", "rain gauge", "gauge blocked"] == "good"
    unknown = frame.filter(pl.col("state") == "not evaluated")
    assert unknown["reason"].null_count() == 0
    assert unknown["partial"].all()
    assert set(unknown["coverage"]) == {0.0}


def test_a_silent_station_is_told_by_its_own_habit() -> None:
    gone = weather(drop=lambda strip, i: strip == "check" and i >= N - 10)
    frame = health(weather_day=gone)
    assert ("check", "whole", "silent", day(N - 10), LAST, True) in found(frame)
    row = frame.filter((pl.col("finding") == "silent") & (pl.col("instrument") == "check"))
    assert row["silent_d"].item() == 10
    assert row["severity"].item() == "hands"
    monthly = [utc("2024-01-05 08:00") + timedelta(days=30 * i) for i in range(8)]
    by_hand = {
        "delivery": rows(
            "delivery",
            [
                {"delivery": str(i), "sequence": i, "received_at": t}
                for i, t in enumerate(monthly, 1)
            ],
        ),
        "delivery_instrument": rows(
            "delivery_instrument",
            [{"sequence": i, "kind": "station", "instrument": "check"} for i in range(1, 9)],
        ),
    }
    assert not [f for f in found(health(weather_day=gone, **by_hand)) if f[2] == "silent"]


def test_a_station_that_was_taken_away_is_not_silent() -> None:
    gone = weather(drop=lambda strip, i: strip == "check" and i >= N - 10)
    spells = rows(
        "station_spell",
        [
            {"station": "treated", "strip": "treated"},
            {"station": "check", "strip": "check", "to_day": day(N - 11)},
        ],
        from_day=FIRST,
        field="a",
    )
    frame = health(weather_day=gone, station_spell=spells)
    assert not [f for f in found(frame) if f[2] == "silent"]
    silent = frame.filter((pl.col("finding") == "silent") & (pl.col("instrument") == "check"))
    assert silent["state"].item() == "not evaluated"


def test_gaps_and_their_pattern() -> None:
    frame = health(weather_day=weather(drop=lambda s, i: s == "check" and 100 <= i < 107))
    assert found(frame) == [("check", "whole", "gap", day(100), day(106), False)]
    good = frame.filter(
        (pl.col("finding") == "gap")
        & (pl.col("instrument") == "check")
        & (pl.col("state") == "good")
    )
    assert good["from_day"].item() == day(107)
    ends = weather(drop=lambda s, i: s == "check" and (DAYS[i] + timedelta(days=1)).day == 1)
    patterns = [f for f in found(health(weather_day=ends)) if f[2] == "gap pattern"]
    assert {f[0] for f in patterns} == {"check"}
    assert len(patterns) == 2  # 2023 and 2024


def test_a_battery_falls_and_its_day_is_foretold() -> None:
    def sinks(per_day: float) -> pl.DataFrame:
        return weather(
            battery_min_v=lambda s, i, v: v - per_day * max(0, i - (N - 28)) if s == "check" else v
        )

    frame = health(weather_day=sinks(0.04)).filter(pl.col("state") == "found")
    assert frame.select("instrument", "finding", "severity").rows() == [
        ("check", "battery failing", "hands")
    ]
    # 12.6 V usual, 15 % of it to lose at about 0.04 V a day: 47 days from the start, 20 from the end.
    assert abs((frame["fails_day"].item() - LAST).days - 20) <= 6
    slow = health(weather_day=sinks(0.025)).filter(pl.col("state") == "found")
    assert slow["finding"].to_list() == ["battery falling"]
    assert slow["severity"].to_list() == ["watch"]


def test_a_winters_dip_is_no_failing_battery() -> None:
    cold = weather(battery_min_v=lambda s, i, v: v - 0.5 * np.cos(2 * np.pi * (i - N) / 365))
    assert found(health(weather_day=cold)) == []


def test_a_blocked_gauge_but_not_one_storm() -> None:
    blocked = weather(rain_mm=lambda s, i, v: v / 2 if s == "check" and 61 <= i < 91 else v)
    spans = found(health(weather_day=blocked))
    assert [f[:3] for f in spans if f[2] == "gauge blocked"] == [
        ("check", "rain gauge", "gauge blocked")
    ]
    (one,) = [f for f in spans if f[2] == "gauge blocked"]
    assert day(61) <= one[3] <= one[4] <= day(90)
    poured = weather(rain_mm=lambda s, i, v: v + 40 if s == "check" and i == 70 else v)
    frame = health(weather_day=poured)
    assert {f[2] for f in found(frame)} == {"rain disagreement"}
    size = frame.filter((pl.col("state") == "found") & (pl.col("instrument") == "check"))
    assert size["difference_mm"].item() == pytest.approx(40, abs=2)


def test_snow_and_half_days_are_not_compared() -> None:
    half = weather(
        rain_mm=lambda s, i, v: v / 2 if s == "check" else v,
        rain_coverage=lambda s, i, v: 0.5,
    )
    snow = weather(
        rain_mm=lambda s, i, v: 0.0 if s == "check" else v, air_temp_min_c=lambda s, i, v: -4.0
    )
    for days in (half, snow):
        frame = health(weather_day=days)
        assert found(frame) == []
        gauges = frame.filter(pl.col("part") == "rain gauge")
        assert set(gauges["state"]) == {"not evaluated"}


def test_radiation_temperature_and_humidity_apart() -> None:
    apart = weather(
        solar_energy_mj_m2=lambda s, i, v: 0.8 * v if s == "treated" and i >= 91 else v,
        air_temp_mean_c=lambda s, i, v: v + 2 if s == "check" and i >= 91 else v,
    )
    frame = health(weather_day=apart)
    got = [(f[0], f[2]) for f in found(frame)]
    assert sorted(got) == [
        ("check", "temperature disagreement"),
        ("treated", "radiation low"),
        ("treated", "temperature disagreement"),
    ]
    numbers = {r["instrument"] + r["finding"]: r for r in frame.to_dicts() if r["state"] == "found"}
    assert numbers["treatedradiation low"]["ratio"] == pytest.approx(0.8, abs=0.01)
    assert numbers["checktemperature disagreement"]["difference_c"] == pytest.approx(2, abs=0.05)


def test_stuck_and_impossible_sensors() -> None:
    frame = health(soil_quality_day=quality(stuck=range(50, 60), impossible=range(N - 5, N)))
    assert found(frame) == [
        ("p", "30 cm", "impossible", day(N - 5), LAST, True),
        ("p", "30 cm", "stuck", day(50), day(59), False),
    ]
    still = weather(
        air_temp_min_c=lambda s, i, v: 15.0 if s == "check" and i >= N - 3 else v,
        air_temp_max_c=lambda s, i, v: 15.0 if s == "check" and i >= N - 3 else v,
    )
    assert found(health(weather_day=still)) == [
        ("check", "air temperature", "stuck", day(N - 3), LAST, True)
    ]


def test_a_disturbed_probe_and_depths_plugged_crosswise() -> None:
    dry = weather(rain_mm=lambda s, i, v: 0.0)
    pulled = soil(lambda depth, i, v: v - 6 if i >= 200 else v)
    assert found(health(weather_day=dry, soil_day=pulled)) == [
        ("p", "whole", "probe disturbed", day(200), day(200), False)
    ]
    crossed = soil(lambda d, i, v: v + {10: 0, 30: 4, 50: -4}[int(d)] if i < 200 else v)
    assert found(health(weather_day=dry, soil_day=crossed)) == [
        ("p", "whole", "depths exchanged", day(200), day(200), False)
    ]
    wet = weather(rain_mm=lambda s, i, v: 30.0 if i == 200 else 0.0)
    assert found(health(weather_day=wet, soil_day=pulled)) == []


def test_a_clock_in_the_future_is_found_where_readings_were_refused() -> None:
    frame = health(
        delivery=rows(
            "delivery",
            [{"received_at": utc("2024-09-21 00:00"), "last_reading": utc("2024-09-20 10:00")}],
            delivery="d",
            sequence=1,
            station="check",
        ),
        quarantine=rows(
            "quarantine",
            [{"delivery": "d", "line": 3, "column_name": "", "cause": "time after its receipt"}],
        ),
    )
    assert found(frame) == [("check", "clock", "clock", date(2024, 9, 20), date(2024, 9, 20), True)]


def test_what_was_good_long_ago_is_not_called_good() -> None:
    gone = weather(drop=lambda strip, i: strip == "check" and i >= N - 100)
    frame = health(weather_day=gone).filter(
        (pl.col("part") == "radiation") & (pl.col("instrument") == "check")
    )
    assert frame["state"].item() == "not evaluated"
    assert str(day(N - 101)) in frame["reason"].item()
