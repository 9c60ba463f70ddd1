import numpy as np
import polars as pl
import pytest

from schemas import generated
from schemas.catalogue import TABLES
from tests.transforms.frames import check, farm, irrigation
from tests.transforms.ground import Array, rain, record, sensors, spells
from tests.transforms.soil.record_limits import limits, offsets
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
    offset = offsets(quality, spells("check"))
    found = limits(data, quality, offset, sensor)
    frame = soil_water_day.derive(data, quality, offset, found)
    check(frame, "soil_water_day")
    return frame


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


def test_limits_stand_on_every_day_with_the_share_between_them() -> None:
    theta = np.concatenate([np.full(60, 38.0), np.linspace(38, 24, 60), np.full(60, 24.0)])
    frame = derived(
        {("check", d): theta for d in DEPTHS}, drained_upper_limit_pct=40.0, lower_limit_pct=20.0
    )
    assert set(frame["drained_upper_limit_from"]) == set(frame["lower_limit_from"]) == {"given"}
    layer = frame.filter(pl.col("depth_cm") == 10)
    assert layer["available_water_share"][5] == pytest.approx((38 - 20) / 20)
    assert layer["available_water_share"][-1] == pytest.approx((24 - 20) / 20)


def test_a_short_or_narrow_record_gives_no_share_and_says_why() -> None:
    frame = derived(
        {("check", d): np.full(100, 30.0) + 0.01 * np.arange(100) % 0.07 for d in DEPTHS}
    )
    assert frame["available_water_share"].null_count() == frame.height
    assert frame["partial"].all()
    assert frame["reason"].str.contains("drained upper limit and dry").all()


def test_empty() -> None:
    empty = [
        generated.empty(TABLES[n])
        for n in ("soil_day", "soil_quality_day", "soil_offset", "soil_limit")
    ]
    check(soil_water_day.derive(*empty), "soil_water_day")
