from datetime import date

import numpy as np
import polars as pl
import pytest

from schemas import generated
from schemas.catalogue import TABLES
from tests.transforms.frames import check, days, irrigation, rows, season
from tests.transforms.ground import FIRST, Array, rain
from tests.transforms.roots.layers import N, evaporation, falling, water
from transforms.roots import drawdown_day, evaporation_bare, evaporation_seen

SEASON = rows("season", [season("2024-04-10", "2024-08-01")])


def pulses(fall: dict[tuple[str, float], float], n: int = N) -> pl.DataFrame:
    return rows(
        "soil_pulse_day",
        [
            {"probe": strip, "depth_cm": depth, "day": day, "day_fall_pct": value}
            for (strip, depth), value in fall.items()
            for day in days(FIRST, n)
        ],
        day_fall_error_pct=0.05,
        residual_pct=0.06,
        night_slope_pct_d=-0.2,
        readings=64,
        coverage=1.0,
    )


def derived(  # noqa: PLR0917 - the sources
    vwc: dict[tuple[str, float], Array],
    rained: Array | None = None,
    pulse: pl.DataFrame | None = None,
    evaporated: Array | None = None,
    irrigated: dict[date, float | None] | None = None,
    seasons: pl.DataFrame = SEASON,
) -> pl.DataFrame:
    sources = (
        water(vwc),
        generated.empty(TABLES["soil_pulse_day"]) if pulse is None else pulse,
        rain(np.zeros(N) if rained is None else rained),
        irrigation(irrigated),
        evaporation(evaporated),
    )
    seen = evaporation_seen.derive(evaporation_bare.derive(*sources, seasons))
    frame = drawdown_day.derive(*sources, seen, seasons)
    check(frame, "drawdown_day")
    return frame


def test_balance_is_the_fall_in_storage() -> None:
    frame = derived({("check", 30.0): falling(0.1)})
    assert frame["uptake_mm"][0] is None  # no day before it
    assert frame["uptake_mm"][1:].to_list() == pytest.approx([0.2] * (N - 1))
    assert set(frame["method"][1:]) == {"balance"}
    assert frame["season"].to_list()[:9] == [None] * 9
    assert frame["season"].to_list()[9:] == [2024] * (N - 9)


def test_rain_days_and_the_day_after_are_not_uptake_by_balance() -> None:
    wet = np.zeros(N)
    wet[20] = 5.0
    frame = derived({("check", 30.0): falling(0.1)}, wet)
    none = frame[20:22]
    assert none["uptake_mm"].null_count() == 2
    assert none["reason"].str.contains("rain").all()
    assert frame["uptake_mm"].null_count() == 3


def test_irrigated_days_and_the_day_after_are_not_uptake_by_balance() -> None:
    day = days(FIRST, 21)[20]
    for depth in (25.0, None):
        frame = derived({("check", 30.0): falling(0.1)}, irrigated={day: depth})
        assert frame[20:22]["uptake_mm"].null_count() == 2
        assert frame[20:22]["reason"].str.contains("irrigation").all()
        assert frame["uptake_mm"].null_count() == 3
    assert frame["partial"][20]


def test_drainage_from_a_wet_layer_is_not_uptake_by_balance() -> None:
    frame = derived({("check", 30.0): falling(0.3, start=46.0)})
    above = frame.filter(pl.col("reason").fill_null("").str.contains("drained upper limit"))
    # from 46 down to 40.5 at 0.3 a day
    assert above.height == pytest.approx(19, abs=1)
    assert above["uptake_mm"].null_count() == above.height


def test_frozen_or_dead_is_null_with_its_reason_never_zero() -> None:
    series = falling(0.1)
    series[30:40] = np.nan
    frame = derived({("check", 30.0): series})
    gone = frame[30:40]
    assert gone["uptake_mm"].null_count() == 10
    assert set(gone["reason"]) == {"the soil is frozen"}
    assert frame["reason"][40] == "no storage the day before"


def test_zero_stands_where_it_was_measured() -> None:
    assert derived({("check", 30.0): np.full(N, 33.0)})["uptake_mm"][1:].to_list() == [0.0] * (
        N - 1
    )


def test_day_night_takes_the_pulse_not_the_fall() -> None:
    frame = derived({("check", 30.0): falling(0.3)}, pulse=pulses({("check", 30.0): 0.1}))
    assert set(frame["method"]) == {"day-night"}
    assert frame["uptake_mm"].to_list() == pytest.approx([0.2] * N)  # 0.1 % of 200 mm
    assert frame["uptake_error_mm"].to_list() == pytest.approx([0.1] * N)


def test_day_night_holds_above_the_drained_upper_limit_and_on_rain_below_the_wetting() -> None:
    wet = np.zeros(N)
    wet[20] = 15.0
    top, deep = falling(0.3, 36.0), falling(0.3, 46.0)
    top[20:] += 6
    frame = derived(
        {("check", 10.0): top, ("check", 30.0): deep, ("check", 50.0): deep},
        wet,
        pulses({("check", d): 0.1 for d in (10.0, 30.0, 50.0)}),
    )
    on_rain = frame.filter(pl.col("day") == days(FIRST, 21)[-1])
    got = dict(on_rain.select("depth_cm", "uptake_mm").iter_rows())
    assert got[10.0] is None
    assert got[30.0] == got[50.0] == pytest.approx(0.2)


def test_a_layer_that_gains_water_and_those_above_it_are_null() -> None:
    wet = np.zeros(N)
    wet[20] = 15.0
    mid = falling(0.1, 36.0)
    mid[20:] += 3
    frame = derived(
        {("check", 10.0): falling(0.1), ("check", 30.0): mid, ("check", 50.0): falling(0.1)},
        wet,
        pulses({("check", d): 0.1 for d in (10.0, 30.0, 50.0)}),
    )
    none = frame.filter(pl.col("uptake_mm").is_null())
    assert set(none["depth_cm"]) == {10.0, 30.0}
    gained = none.filter(pl.col("depth_cm") == 30.0)
    assert set(gained["day"]) == set(days(FIRST, 21)[-2:])  # the day before and the day itself
    assert set(gained["reason"]) == {"the layer gained water"}


def test_jitter_of_a_sensor_does_not_become_uptake() -> None:
    jitter = np.random.default_rng(5).normal(0, 0.4, N)
    frame = derived({("check", 30.0): 33.0 + jitter})
    # Were rises cut off as gains, the falls alone would sum to some 20 mm.
    assert abs(frame["uptake_mm"].sum()) < 3
    assert frame["uptake_mm"].null_count() < 6


def test_one_sensor_is_never_a_mixture_of_methods() -> None:
    few = pulses({("check", 30.0): 0.1}).filter(pl.col("day") < days(FIRST, 21)[-1])
    frame = derived({("check", 30.0): falling(0.3)}, pulse=few)
    assert set(frame["method"].drop_nulls()) == {"balance"}


def test_what_is_usual_of_a_sensor_is_told_by_crop_year() -> None:
    """Noisy before a harvest, quiet after it: a rise of 0.8 % is noise at first, water later."""
    vwc = 33.0 + np.random.default_rng(5).normal(0, 1.0, N)
    vwc[40:] = 33.0
    vwc[50:] += 0.8
    rise = days(FIRST, 51)[-1]

    def gained(seasons: pl.DataFrame) -> list[date]:
        frame = derived({("check", 30.0): vwc}, seasons=seasons)
        return frame.filter(pl.col("reason") == "the layer gained water")["day"].to_list()

    assert rise in gained(rows("season", [season("2023-05-01", days(FIRST, 41)[-1].isoformat())]))
    assert rise not in gained(rows("season", []))


def test_both_strips_only_where_both_have_an_uptake() -> None:
    treated = falling(0.1)
    treated[30:40] = np.nan
    frame = derived(
        {("check", 30.0): falling(0.1), ("treated", 30.0): treated, ("check", 50.0): falling(0.1)}
    )
    both = frame.filter("both_strips")
    assert set(both["depth_cm"]) == {30.0}
    assert both.height == 2 * (N - 1 - 11)


def _surface(bare_d: int, seen: float, crop: float = 0.1) -> Array:
    """Bare days lose ``seen`` x 1 mm of evaporation; then the crop draws ``crop`` % more a day."""
    loss = np.full(N, seen / 2)  # % of 20 cm
    loss[bare_d:] += crop
    return np.asarray(36.0 - np.cumsum(loss))


def test_evaporation_is_taken_off_the_surface_by_what_bare_days_show_of_it() -> None:
    """Emergence ten days after seeding: 19 bare days; with more before them the share is learned."""
    early = rows("season", [season("2024-05-01", "2024-08-01")])
    bare = 40  # days to emergence from 1 April
    frame = derived(
        {("check", 10.0): _surface(bare, 0.6), ("check", 30.0): falling(0.1)},
        evaporated=np.ones(N),
        seasons=early,
    )
    top = frame.filter(pl.col("depth_cm") == 10)
    assert top["evaporation_mm"][1:].to_list() == pytest.approx([0.6] * (N - 1))
    assert top["uptake_mm"][1:bare].to_list() == pytest.approx([0.0] * (bare - 1), abs=1e-9)
    assert top["uptake_mm"][bare:].to_list() == pytest.approx([0.2] * (N - bare))
    below = frame.filter(pl.col("depth_cm") == 30)
    assert below["evaporation_mm"].null_count() == N
    assert below["uptake_mm"][1:].to_list() == pytest.approx([0.2] * (N - 1))


def test_without_bare_days_a_shallow_sensor_shows_all_evaporation() -> None:
    frame = derived({("check", 10.0): falling(1.0)}, evaporated=np.full(N, 0.5))
    assert frame["evaporation_mm"][30] == pytest.approx(0.5)
    assert frame["uptake_mm"][30] == pytest.approx(2.0 - 0.5)


def test_evaporation_that_is_not_known_is_said_to_be_in_it() -> None:
    frame = derived({("check", 10.0): falling(0.1)})
    assert frame["uptake_mm"][30] == pytest.approx(0.2)
    assert frame["partial"][30]
    assert "evaporation" in frame["reason"][30]


def test_empty() -> None:
    names = (
        "soil_water_day",
        "soil_pulse_day",
        "weather_used_day",
        "irrigation_day",
        "evaporation_day",
        "evaporation_seen",
        "season",
    )
    check(drawdown_day.derive(*(generated.empty(TABLES[n]) for n in names)), "drawdown_day")
