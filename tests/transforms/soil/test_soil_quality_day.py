from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest

from schemas import generated
from schemas.catalogue import TABLES
from tests.transforms.frames import check, days, farm, irrigation
from tests.transforms.ground import FIRST, Array, rain, record, sensors, spells
from transforms.soil import soil_quality_day

DEPTHS = (10.0, 30.0, 50.0)


def steady(n: int = 120) -> dict[tuple[str, float], Array]:
    rng = np.random.default_rng(4)
    return {("check", d): 34 - 0.01 * np.arange(n) + rng.normal(0, 0.03, n) for d in DEPTHS}


def derived(
    values: dict[tuple[str, float], Array],
    rained: Array | None = None,
    temp_c: float | None = 12.0,
    from_day: str = "2024-01-01",
    irrigated: dict[date, float | None] | None = None,
    *,
    coverage: float = 1.0,
) -> pl.DataFrame:
    n = max(len(v) for v in values.values())
    frame = soil_quality_day.derive(
        record(values, temp_c=temp_c).with_columns(vwc_coverage=pl.lit(coverage)),
        spells("check", from_day=from_day),
        sensors(("check",), DEPTHS),
        rain(np.zeros(n) if rained is None else rained),
        irrigation(irrigated),
        farm(),
    )
    check(frame, "soil_quality_day")
    return frame


def flagged(frame: pl.DataFrame, name: str) -> list[tuple[float, int]]:
    """Depth and position in the record of the days flagged."""
    start = days(FIRST, 1)[0]
    return [
        (depth, (day - start).days)
        for depth, day in frame.filter(pl.col(name)).select("depth_cm", "day").iter_rows()
    ]


def test_a_steady_record_is_good() -> None:
    frame = derived(steady())
    assert set(frame["quality"]) == {"good"}
    assert frame["usable"].all()
    assert not frame["partial"].any()
    assert frame["step_pct"].null_count() == frame.height


@pytest.mark.parametrize(
    ("coverage", "quality", "reason"),
    [(0.9, "good", "part of the day was recorded"), (0.4, "suspect", "less than half of the day")],
)
def test_a_day_recorded_in_part_is_partial(coverage: float, quality: str, reason: str) -> None:
    frame = derived(steady(), coverage=coverage)
    assert set(frame["quality"]) == {quality}
    assert frame["partial"].all()
    assert frame["reason"].str.starts_with(reason).all()
    assert frame["usable"].all()


def test_impossible_is_bad_and_never_used() -> None:
    values = steady()
    values["check", 30.0][40] = 0.0
    values["check", 30.0][41] = 88.0
    frame = derived(values)
    assert flagged(frame, "impossible") == [(30.0, 40), (30.0, 41)]
    bad = frame.filter(pl.col("impossible"))
    assert set(bad["quality"]) == {"bad"}
    assert not bad["usable"].any()


def test_frozen_by_soil_temperature() -> None:
    frozen = derived(steady(), temp_c=0.3)
    assert frozen["frozen"].all()
    assert set(frozen["quality"]) == {"bad"}
    warm = derived(steady(), temp_c=1.5)
    assert not warm["frozen"].any()
    assert warm["may_be_frozen"].null_count() == warm.height


def by_air(temp_c: float | None, first: str = FIRST) -> pl.DataFrame:
    """A probe without soil temperature, the air at ``temp_c`` throughout."""
    air = rain(np.zeros(120), first=first).with_columns(air_temp_mean_c=pl.lit(temp_c, pl.Float64))
    return soil_quality_day.derive(
        record(steady(), temp_c=None, first=first),
        spells("check"),
        sensors(("check",), DEPTHS),
        air,
        irrigation(),
        farm(),
    )


def test_without_soil_temperature_cold_air_leaves_it_not_evaluated_and_unused() -> None:
    cold = by_air(-8.0)
    assert cold["frozen"].null_count() == cold.height
    late = cold.filter(pl.col("day") > days(FIRST, 40)[-1])
    assert late["may_be_frozen"].all()
    assert set(late["quality"]) == {"not evaluated"}
    assert not late["usable"].any()
    assert late["partial"].all()
    assert late["reason"].str.contains("may be frozen, by air temperature").all()
    warm = by_air(15.0)
    assert not warm["may_be_frozen"].any()
    assert set(warm["quality"]) == {"good"}


def test_without_any_temperature_the_season_decides() -> None:
    found = by_air(None, "2024-10-10")
    november = pl.col("day").dt.month().is_in([11, 12, 1])
    assert found.filter(november)["may_be_frozen"].all()
    assert not found.filter(november)["usable"].any()
    assert found.filter(november)["reason"].str.contains("by season").all()
    assert found.filter(pl.col("day").dt.month() == 10)["usable"].all()


def test_a_soil_temperature_far_off_says_nothing_of_frost() -> None:
    data = record({("check", 10.0): steady()["check", 10.0], ("check", 60.0): np.full(120, 30.0)})
    data = data.with_columns(
        soil_temp_min_c=pl.when(pl.col("depth_cm") == 60).then(2.0), soil_temp_mean_c=None
    )
    cold = rain(np.zeros(120)).with_columns(air_temp_mean_c=pl.lit(-8.0))
    found = soil_quality_day.derive(
        data, spells("check"), sensors(("check",), (10.0, 60.0)), cold, irrigation(), farm()
    )
    shallow = found.filter(pl.col("depth_cm") == 10)
    assert shallow["frozen"].null_count() == 120
    assert shallow["may_be_frozen"].sum() > 100
    assert not found.filter(pl.col("depth_cm") == 60)["frozen"].any()


def test_flags_start_as_not_evaluated() -> None:
    one = {("check", 10.0): np.array([33.0])}
    frame = soil_quality_day.derive(
        record(one, temp_c=None),
        spells("check"),
        sensors(("check",), (10.0,)),
        generated.empty(TABLES["weather_used_day"]),
        irrigation(),
        farm(),
    )
    row = frame.row(0, named=True)
    assert row["quality"] == "not evaluated"
    assert row["frozen"] is None
    assert row["spike"] is None
    assert row["step"] is None


@pytest.mark.parametrize(
    ("size", "is_spike"), [(-3.0, True), (7.0, True), (-1.0, False), (3.0, False)]
)
def test_spikes_of_a_day(size: float, is_spike: bool) -> None:
    values = steady()
    values["check", 50.0][60] += size
    frame = derived(values)
    assert flagged(frame, "spike") == ([(50.0, 60)] if is_spike else [])
    assert not frame["step"].fill_null(False).any()


def test_a_swapped_sensor_steps_by_what_it_reads_otherwise() -> None:
    values = steady()
    values["check", 50.0][60:] += 3.0
    frame = derived(values)
    assert flagged(frame, "step") == [(50.0, 60)]
    sizes = frame.drop_nulls("step_pct")
    assert sizes.select("depth_cm", "day").row(0) == (50.0, days(FIRST, 61)[60])
    assert sizes["step_pct"].to_list() == [pytest.approx(3.0, abs=0.15)]


def test_wetting_is_no_step() -> None:
    values = steady()
    for d in DEPTHS:
        values["check", d][60:] += 5.0
    wet = np.zeros(120)
    wet[60] = 30.0
    assert flagged(derived(values, wet), "step") == []
    # all sensors at once, with no rain on the gauge: a blocked gauge, not a swapped sensor
    assert flagged(derived(values), "step") == []


def test_stuck_where_the_sensor_else_flickers() -> None:
    data = record(steady())
    stuck = (pl.col("depth_cm") == 30) & pl.col("day").is_between(
        days(FIRST, 51)[-1], days(FIRST, 71)[-1]
    )
    data = data.with_columns(
        pl.when(stuck).then(33.3).otherwise(c).alias(c)
        for c in ("vwc_mean_pct", "vwc_min_pct", "vwc_max_pct")
    )
    frame = soil_quality_day.derive(
        data,
        spells("check"),
        sensors(("check",), DEPTHS),
        rain(np.zeros(120)),
        irrigation(),
        farm(),
    )
    found = flagged(frame, "stuck")
    assert {d for d, _ in found} == {30.0}
    assert {i for _, i in found} >= set(range(52, 71))
    assert set(frame.filter(pl.col("stuck"))["quality"]) == {"bad"}


def test_settling_weeks_are_suspect_but_used() -> None:
    frame = derived(steady(), from_day=FIRST)
    early = frame.filter(pl.col("settling"))
    assert early["day"].max() == days(FIRST, 1)[0] + timedelta(days=20)
    assert set(early["quality"]) == {"suspect"}
    assert early["usable"].all()


def test_a_dead_sensor_has_rows_that_say_so() -> None:
    values = steady()
    values["check", 30.0][30:60] = np.nan
    frame = derived(values).filter(pl.col("depth_cm") == 30)
    gap = frame.filter(pl.col("quality") == "missing")
    assert gap.height == 30
    assert not gap["usable"].any()
    assert gap["partial"].all()
    assert gap["reason"].null_count() == 0


def test_a_wetting_after_irrigation_is_no_fault_of_the_sensor() -> None:
    """A sensor that jumps and stays, or for a day, in dry weather: a fault, unless it was irrigated."""
    jump, peak = steady(), steady()
    jump["check", 30.0][60:] += 6.0
    peak["check", 30.0][60] += 8.0
    day = days(FIRST, 61)[60]
    assert flagged(derived(jump), "step") == [(30.0, 60)]
    assert flagged(derived(peak), "spike") == [(30.0, 60)]
    for depth in (25.0, None):
        assert flagged(derived(jump, irrigated={day: depth}), "step") == []
        assert flagged(derived(peak, irrigated={day: depth}), "spike") == []


def test_empty() -> None:
    empty = [
        generated.empty(TABLES[n])
        for n in ("soil_day", "probe_spell", "sensor", "weather_used_day")
    ]
    check(soil_quality_day.derive(*empty, irrigation(), farm()), "soil_quality_day")
