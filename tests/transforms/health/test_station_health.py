from datetime import date, timedelta
from typing import Any

import numpy as np
import polars as pl
import pytest

from schemas.tables.health.station_health import SEVERITY
from tests.transforms.frames import rows, utc
from tests.transforms.health.two_strips import (
    COVERED,
    DAYS,
    DEPTHS,
    FIRST,
    LAST,
    PROBE,
    SIDES,
    N,
    day,
    found,
    health,
    of,
    quality,
    received,
    soil,
    used,
    weather,
)
from transforms.health.methods.advice import ADVICE, MISSING
from transforms.health.methods.states import OF_SENSOR, PARTS


def test_every_finding_has_its_words() -> None:
    assert set(SEVERITY) == set(ADVICE)
    checks = {f for parts in PARTS.values() for findings in parts.values() for f in findings}
    assert checks | set(OF_SENSOR) == set(MISSING) == set(SEVERITY) - {"set aside"}
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
    assert row["silent_after_d"].item() == 2
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


def test_silence_runs_to_the_newest_receipt() -> None:
    late = LAST + timedelta(days=90)
    frame = health(**received(late))
    since = LAST + timedelta(days=1)
    assert sorted(of(frame, "silent")) == [
        (s, "whole", since, late) for s in ("check", "p", "treated")
    ]
    # The other checks go by the latest day of data, so what was good then stays so.
    assert frame.filter(pl.col("finding") == "gauge blocked")["state"].unique().to_list() == [
        "good"
    ]


def test_a_spell_that_ended_and_a_long_record_without_a_field_are_never_silent() -> None:
    spells = rows(
        "station_spell",
        [
            {"station": "treated", "field": "a", "strip": "treated", "to_day": LAST},
            {"station": "check"},
        ],
        from_day=FIRST,
    )
    probe = rows("probe_spell", [{**PROBE, "from_day": FIRST, "to_day": LAST}])
    frame = health(station_spell=spells, probe_spell=probe, **received(LAST + timedelta(days=90)))
    assert of(frame, "silent") == []
    assert of(frame, "no values") == []


def test_a_probe_set_back_is_not_silent_for_the_time_it_was_out() -> None:
    probe = rows(
        "probe_spell",
        [{"to_day": day(N - 20), "from_day": FIRST}, {"from_day": day(N - 2)}],
        **PROBE,
    )
    gone = soil().filter(pl.col("day") <= day(N - 20))
    assert of(health(soil_day=gone, probe_spell=probe), "silent") == []
    probe = probe.with_columns(
        from_day=pl.when(pl.col("to_day").is_null()).then(day(N - 6)).otherwise("from_day")
    )
    assert of(health(soil_day=gone, probe_spell=probe), "silent") == [
        ("p", "whole", day(N - 6), LAST)
    ]


def test_empty_cells_are_no_values_from_a_depth() -> None:
    frame = health(soil_day=soil(lambda d, i, v: None if d == 50 and i >= N - 30 else v))
    assert of(frame, "no values") == [("p", "50 cm", day(N - 30), LAST)]
    assert of(frame, "silent") == []
    row = frame.filter((pl.col("finding") == "no values") & (pl.col("state") == "found"))
    assert (row["severity"].item(), row["depth_cm"].item()) == ("hands", 50.0)


def test_empty_cells_everywhere_are_a_silent_instrument() -> None:
    probe = soil(lambda d, i, v: None if i >= N - 30 else v)
    assert of(health(soil_day=probe.with_columns(battery_min_v=3.6)), "silent") == [
        ("p", "whole", day(N - 30), LAST)
    ]


def test_a_sensor_that_never_gave_a_value_or_was_taken_out() -> None:
    sensors = [{"probe": "p", "depth_cm": d} for d in (*DEPTHS, 70.0)]
    assert of(health(sensor=rows("sensor", sensors)), "no values") == [("p", "70 cm", FIRST, LAST)]
    sensors[2] |= {"to_day": day(N - 31)}
    gone = soil(lambda d, i, v: None if d == 50 and i >= N - 30 else v)
    assert of(health(soil_day=gone, sensor=rows("sensor", sensors[:3])), "no values") == []


def test_soil_temperature_and_single_quantities_of_a_station_are_parts() -> None:
    warm = soil().with_columns(
        soil_temp_mean_c=pl.when((pl.col("depth_cm") != 10) | (pl.col("day") < day(400))).then(14.0)
    )
    no_sun = weather(solar_energy_mj_m2=lambda s, i, v: None if s == "check" and i >= 500 else v)
    assert of(health(soil_day=warm, weather_day=no_sun), "no values") == [
        ("p", "10 cm temperature", day(400), LAST),
        ("check", "radiation", day(500), LAST),
    ]


def test_a_gauge_taken_in_every_winter_is_no_finding_but_a_dead_one_is() -> None:
    def out(until: int) -> pl.DataFrame:
        return weather(rain_mm=lambda s, i, v: v if s != "check" or 10 <= i % 365 < until else None)

    # The record ends in late September; the gauge is taken in after day 150 of its year.
    assert of(health(weather_day=out(150)), "no values") == []
    dead = weather(rain_mm=lambda s, i, v: None if s == "check" and i >= N - 25 else v)
    assert of(health(weather_day=dead), "no values") == [("check", "rain gauge", day(N - 25), LAST)]


def test_a_day_with_less_than_a_quarter_of_its_readings_is_missing() -> None:
    share = {f"{quantity}_coverage": 1 / 24 for quantity in COVERED}

    def ends(s: str, i: int, v: float) -> float:
        return share["rain_coverage"] if (DAYS[i] + timedelta(days=1)).day == 1 else v

    frame = health(weather_day=weather(**dict.fromkeys(share, ends)))
    assert len(of(frame, "gap pattern")) == 4  # both stations, 2023 and 2024
    assert of(health(weather_day=weather(**dict.fromkeys(share, lambda s, i, v: 0.3))), "gap") == []


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
    size = frame.filter(pl.col("state") == "found")
    assert size["finding"].to_list() == ["rain disagreement"]
    assert size.select("instrument", "compared_with").row(0) == ("check", "treated")
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
        gauges = frame.filter((pl.col("part") == "rain gauge") & (pl.col("finding") != "no values"))
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
    ]
    (other,) = frame.filter(
        (pl.col("finding") == "temperature disagreement") & (pl.col("instrument") == "treated")
    ).to_dicts()
    assert (other["state"], other["reason"]) == (
        "not evaluated",
        "the two stations differ; see check",
    )
    numbers = {r["instrument"] + r["finding"]: r for r in frame.to_dicts() if r["state"] == "found"}
    assert numbers["treatedradiation low"]["ratio"] == pytest.approx(0.8, abs=0.01)
    assert numbers["checktemperature disagreement"]["difference_c"] == pytest.approx(2, abs=0.05)


def test_stuck_and_impossible_sensors() -> None:
    frame = health(soil_quality_day=quality(stuck=range(50, 60), impossible=range(N - 5, N)))
    assert found(frame) == [
        ("p", "30 cm", "impossible", day(N - 5), LAST, True),
        ("p", "30 cm", "stuck", day(50), day(59), False),
    ]
    at_times = health(soil_quality_day=quality(stuck={*range(50, 56), *range(58, 60), 63}))
    rows = at_times.filter(pl.col("finding") == "stuck", pl.col("state") == "found")
    assert rows.select("from_day", "to_day", "days").sort("from_day").rows() == [
        (day(50), day(59), 8),  # two days between are bridged, three are not
        (day(63), day(63), 1),
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


def test_a_wetting_after_irrigation_is_no_disturbed_probe() -> None:
    front = soil(lambda depth, i, v: v + 6 if i >= 200 else v)
    dry = weather(rain_mm=lambda s, i, v: v if i < 190 else 0.0)
    assert of(health(weather_day=dry, soil_day=front), "probe disturbed") != []

    def irrigated(on: date, mm: float | None) -> list[Any]:
        put_on = [{"field": "a", "strip": "treated", "day": on, "irrigation_mm": mm}]
        known = rows("irrigation_day", put_on, in_later_total=False)
        frame = health(weather_day=dry, soil_day=front, irrigation_day=known)
        return of(frame, "probe disturbed")

    for mm in (25.0, None):
        assert irrigated(day(198), mm) == []
        assert irrigated(day(200), mm) == []
        assert irrigated(day(197), mm) != []
    assert irrigated(day(200), 0.0) != []


def test_soil_that_drains_fast_for_days_is_not_disturbed_and_a_move_at_noon_is() -> None:
    dry = weather(rain_mm=lambda s, i, v: 0.0)
    draining = soil(lambda depth, i, v: v - 12 + 12 * 0.7 ** (i - 200) if i >= 200 else v)
    assert of(health(weather_day=dry, soil_day=draining), "probe disturbed") == []
    fallen = {199: 0.0, 200: 2.0, 201: 7.0}  # fastest on the second of three days
    in_three_days = soil(lambda depth, i, v: v - (fallen.get(i, 9.0) if i >= 199 else 0.0))
    assert of(health(weather_day=dry, soil_day=in_three_days), "probe disturbed") == []
    at_noon = soil(lambda depth, i, v: v - 4 * min(max(i - 199, 0), 2))
    assert of(health(weather_day=dry, soil_day=at_noon), "probe disturbed") != []


def test_rain_at_a_neighbor_explains_a_wet_front_beside_a_blocked_gauge() -> None:
    """The front wets every depth; both strips' gauges are blocked, a station 11 km away is not."""
    front = soil(lambda depth, i, v: v + 6 if i >= 200 else v)
    dry = weather(rain_mm=lambda s, i, v: v if i < 190 else 0.0)
    assert ("p", "whole", "probe disturbed", day(200), day(200), False) in found(
        health(weather_day=dry, soil_day=front)
    )
    alone = rows(
        "weather_day",
        [{"day": d, "rain_mm": 25.0 if d == day(199) else 0.0} for d in DAYS],
        station="alone",
    )
    spells = rows(
        "station_spell",
        [
            *({"station": s, "field": "a", "strip": s} for s in SIDES),
            {"station": "alone", "latitude_deg": 50.1, "longitude_deg": -100.0},
        ],
        from_day=FIRST,
    )
    seen = health(weather_day=pl.concat([dry, alone]), soil_day=front, station_spell=spells)
    assert of(seen, "probe disturbed") == []


def test_a_rise_of_all_depths_means_nothing_where_no_gauge_catches() -> None:
    never = weather(rain_mm=lambda s, i, v: 0.0)
    front = soil(lambda depth, i, v: v + 6 if i >= 200 else v)
    assert of(health(weather_day=never, soil_day=front), "probe disturbed") == []


def test_stations_without_a_field_are_looked_at_too() -> None:
    still = weather(wind_speed_mean_m_s=lambda s, i, v: 0.0 if s == "check" and i > 500 else v)
    spells = rows(
        "station_spell",
        [{"station": "treated", "field": "a", "strip": "treated"}, {"station": "check"}],
        from_day=FIRST,
    )
    frame = health(weather_day=still, station_spell=spells)
    assert of(frame, "stuck") == [("check", "wind", day(501), LAST)]
    assert of(frame, "gauge blocked") == []
    assert frame.filter((pl.col("finding") == "gauge blocked") & (pl.col("state") == "good"))[
        "instrument"
    ].to_list() == ["check", "treated"]


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
        (pl.col("finding") == "radiation low") & (pl.col("instrument") == "check")
    )
    assert frame["state"].item() == "not evaluated"
    assert str(day(N - 101)) in frame["reason"].item()


def test_zeros_of_a_lost_gauge_disagree_with_nobody_and_rain_by_hand_vetoes_a_move() -> None:
    poured = weather(rain_mm=lambda s, i, v: 40.0 if s == "check" and i == N - 5 else v)
    assert of(health(weather_day=poured), "rain disagreement") != []
    hit = (pl.col("station") == "treated") & (pl.col("day") == day(N - 5))
    lost = used(poured).with_columns(gauge_lost=hit)
    assert of(health(weather_day=poured, weather_used_day=lost), "rain disagreement") == []
    dry = weather(rain_mm=lambda s, i, v: 0.0)
    pulled = soil(lambda depth, i, v: v - 6 if i >= 200 else v)
    assert of(health(weather_day=dry, soil_day=pulled), "probe disturbed") != []
    read = pl.when(pl.col("day") == day(200)).then(30.0).otherwise("rain_mm")
    by_hand = used(dry).with_columns(rain_mm=read)
    frame = health(weather_day=dry, soil_day=pulled, weather_used_day=by_hand)
    assert of(frame, "probe disturbed") == []
