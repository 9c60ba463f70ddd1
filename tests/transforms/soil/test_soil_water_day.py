from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest

from schemas import generated
from schemas.catalogue import TABLES
from tests.transforms.frames import check, farm, irrigation
from tests.transforms.ground import Array, rain, record, sensors, spells
from transforms.soil import soil_quality_day, soil_water_day

DEPTHS = (10.0, 30.0, 50.0, 100.0)


def derived(
    values: dict[tuple[str, float], Array], rained: Array | None = None, **given: float
) -> pl.DataFrame:
    n = max(len(v) for v in values.values())
    data, sensor = record(values), sensors(("check",), DEPTHS, **given)
    quality = soil_quality_day.derive(
        data,
        spells("check"),
        sensor,
        rain(np.zeros(n) if rained is None else rained),
        irrigation(),
        farm(),
    )
    frame = soil_water_day.derive(data, quality, sensor)
    check(frame, "soil_water_day")
    return frame


def wettings(full: float = 38.0, dry: float = 24.0) -> tuple[Array, Array]:
    """Three soakings that drain to ``full`` within days and are dried to ``dry``; and the rain."""
    theta, wet = [dry] * 20, [0.0] * 20
    for _ in range(3):
        drain = full + 4 * np.exp(-np.arange(6) / 1.2)
        fall = np.linspace(full, dry, 36)
        theta += [*drain, *fall, *([dry] * 12)]
        wet += [40.0, *([0.0] * 53)]
    rng = np.random.default_rng(1)
    return np.array(theta) + rng.normal(0, 0.02, len(theta)), np.array(wet)


def test_storage_of_a_profile_by_hand() -> None:
    values = {
        ("check", d): np.full(3, v) for d, v in zip(DEPTHS, (20.0, 30.0, 40.0, 50.0), strict=True)
    }
    last = derived(values).filter(pl.col("day") == pl.col("day").max())
    # 20 % of 20 cm, 30 % of 20 cm, 40 % of 35 cm, 50 % of 50 cm
    assert last["storage_mm"].to_list() == pytest.approx([40, 60, 140, 250])


def test_a_dead_sensor_is_partial_never_zero_and_its_neighbours_stay() -> None:
    values = {("check", d): np.full(40, 30.0) for d in DEPTHS}
    values["check", 30.0][10:] = np.nan
    frame = derived(values)
    dead = frame.filter((pl.col("depth_cm") == 30) & (pl.col("quality") == "missing"))
    assert dead.height == 30
    assert dead["storage_mm"].null_count() == 30
    assert dead["partial"].all()
    assert dead["reason"].null_count() == 0
    assert set(frame.filter(pl.col("depth_cm") == 50)["layer_top_cm"]) == {40.0}


def test_a_swapped_sensor_leaves_the_storage_even() -> None:
    rng = np.random.default_rng(7)
    values = {("check", d): 33 + rng.normal(0, 0.03, 100) for d in DEPTHS}
    values["check", 30.0][60:] += 4.0
    frame = derived(values).filter(pl.col("depth_cm") == 30)
    assert frame["storage_mm"].to_list() == pytest.approx([66.0] * 100, abs=0.5)


def test_points_of_the_record() -> None:
    theta, wet = wettings()
    frame = derived({("check", d): theta for d in DEPTHS}, wet)
    row = frame.row(0, named=True)
    assert row["drained_upper_limit_pct"] == pytest.approx(38.1, abs=0.4)
    assert row["lower_limit_pct"] == pytest.approx(24.0, abs=0.1)
    assert (row["drained_upper_limit_from"], row["lower_limit_from"]) == ("record", "record")
    assert row["wettings"] == 3
    share = frame.filter(pl.col("depth_cm") == 10)["available_water_share"]
    assert share[5] == pytest.approx(0, abs=0.02)
    assert share[20] > 1  # still draining
    assert share[26] == pytest.approx(1, abs=0.05)


def test_a_wetting_that_does_not_fill_the_layer_is_no_drained_upper_limit() -> None:
    theta, wet = wettings()
    low, _ = wettings(full=31.0)
    frame = derived({("check", d): np.concatenate([theta, low]) for d in DEPTHS}, np.tile(wet, 2))
    assert frame["drained_upper_limit_pct"][0] == pytest.approx(38.1, abs=0.4)
    assert frame["wettings"][0] == 3


def test_given_points_win_and_are_said() -> None:
    theta, wet = wettings()
    frame = derived(
        {("check", d): theta for d in DEPTHS},
        wet,
        drained_upper_limit_pct=40.0,
        lower_limit_pct=20.0,
    )
    row = frame.filter(pl.col("depth_cm") == 10).row(5, named=True)
    assert (row["drained_upper_limit_from"], row["lower_limit_from"]) == ("given", "given")
    assert row["available_water_share"] == pytest.approx((24 - 20) / 20, abs=0.01)


def test_without_a_wetting_the_drained_upper_limit_is_the_highest_seen() -> None:
    theta = np.linspace(38, 25, 100)
    row = derived({("check", d): theta for d in DEPTHS}).row(0, named=True)
    assert row["drained_upper_limit_from"] == "highest seen"
    assert row["wettings"] == 0


def test_a_short_or_narrow_record_gives_no_share_and_says_why() -> None:
    frame = derived(
        {("check", d): np.full(100, 30.0) + 0.01 * np.arange(100) % 0.07 for d in DEPTHS}
    )
    assert frame["available_water_share"].null_count() == frame.height
    assert frame["partial"].all()
    assert frame["reason"].str.contains("drained upper limit and dry").all()


def test_empty() -> None:
    empty = [generated.empty(TABLES[n]) for n in ("soil_day", "soil_quality_day", "sensor")]
    check(soil_water_day.derive(*empty), "soil_water_day")


FIRST = date(2024, 4, 1)


def _full(after_peak: list[float], lead: int = 40, tail: float | None = None) -> tuple[float, int]:
    """Drained upper limit and wettings of a record: dry at 30, a wetting, then these days, then falling."""
    last = after_peak[-1]
    step = 0.5 if tail is None else tail
    drying = [last - step * (i + 1) for i in range(30)]
    series = [30.0] * lead + after_peak + drying
    out = soil_water_day.limits(
        pl.DataFrame(
            {
                "probe": "p",
                "field": "f",
                "strip": "check",
                "depth_cm": 30.0,
                "day": [FIRST + timedelta(days=i) for i in range(len(series))],
                "vwc_pct": series,
            }
        )
    ).row(0, named=True)
    return out["drained_upper_limit_pct"], out["wettings"]


def test_a_saturated_top_is_no_rest() -> None:
    """It stands at 40 for two days before it drains; rest comes at 35.5, not at 40."""
    full, wettings = _full([40.0, 40.0, 39.8, 39.6, 37.5, 36.3, 35.6, 35.5, 35.5, 35.4, 35.4])
    assert wettings == 1
    assert full == pytest.approx(35.6, abs=0.15)


def test_rest_from_the_second_day_on_counts() -> None:
    """Smoothed over three days the peak is the second; two days on the fall is down, then roots take more."""
    full, wettings = _full([40.0, 38.5, 38.0, 36.0, 35.9, 35.8], tail=0.6)
    assert wettings == 1
    assert full == pytest.approx(36.0, abs=0.2)


def test_a_halt_the_day_after_the_peak_is_no_rest() -> None:
    """Water held up for a day above a dense layer runs on the next."""
    full, wettings = _full(
        [40.2, 40.0, 39.4, 39.2, 38.9, 37.5, 36.2, 35.5, 35.4, 35.3, 35.3, 35.3], tail=0.6
    )
    assert wettings == 1
    assert full == pytest.approx(35.5, abs=0.1)


def test_rest_after_ten_days_is_no_longer_of_that_wetting() -> None:
    slow = [40.0 - 0.4 * i for i in range(15)]
    full, wettings = _full([*slow, *([slow[-1]] * 5)])
    assert wettings == 0
    assert full > 38


def test_plateaus_below_most_of_the_record_are_no_drained_upper_limit() -> None:
    """A layer that stays wet, and was wetted once in part after the crop had dried it."""
    wet = np.full(120, 41.0)
    dried = np.linspace(41.0, 30.0, 40)
    part = 33.0 + 1.5 * np.exp(-np.arange(30) / 2)
    theta = np.concatenate([wet, dried, part])
    frame = derived({("check", d): theta for d in DEPTHS})
    assert frame["drained_upper_limit_pct"][0] == pytest.approx(41.0, abs=0.1)
    assert frame["drained_upper_limit_from"][0] == "highest seen"
    # as often dry as wet, the plateau is believed
    mostly_dry = derived(
        {("check", d): np.concatenate([theta, np.full(200, 30.0)]) for d in DEPTHS}
    )
    assert mostly_dry["drained_upper_limit_pct"][0] == pytest.approx(33.2, abs=0.3)
