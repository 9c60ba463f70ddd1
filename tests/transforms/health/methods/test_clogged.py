from collections.abc import Callable
from datetime import date, timedelta

import numpy as np
import polars as pl

from tests.transforms.frames import farm, rows
from transforms.health.methods import clogged, station_pairs
from transforms.methods import near

FIRST, N = date(2023, 4, 1), 360
Catch = Callable[[str, date], float]
JUNE = (date(2023, 6, 1), date(2023, 6, 30))


def in_june(station: str) -> Catch:
    return lambda s, day: 0.02 if s == station and JUNE[0] <= day <= JUNE[1] else 1.0


def months(
    catch: Catch, km: tuple[float, ...] = (0.0, 0.2, 10.0), scatter: float = 0.05, seed: int = 1
) -> list[tuple[str, date, str]]:
    """Return what is found at stations a, b, c… that far east of the first: who, month, against."""
    rng = np.random.default_rng(seed)
    fell = np.where(rng.random(N) < 0.4, rng.gamma(1.0, 9.0, N), 0.0)
    names = "abcdef"[: len(km)]
    stations = [
        {"station": s, "longitude_deg": -100 + x / 71.5, "latitude_deg": 50.0}
        for s, x in zip(names, km, strict=True)
    ]
    spells = rows("station_spell", stations, from_day=FIRST)
    items = []
    for s in names:
        own = np.exp(rng.normal(0, scatter, N))
        for i in range(N):
            day = FIRST + timedelta(days=i)
            items.append({"station": s, "day": day, "rain_mm": fell[i] * own[i] * catch(s, day)})
    days = rows("weather_day", items, rain_coverage=1.0, air_temp_min_c=8.0)
    pairs = station_pairs.beside(days, near.neighbors(spells, farm()), clogged.GAUGE)
    found, _ = clogged.gauges(pairs)
    return found.sort("instrument").select("instrument", "from_day", "compared_with").rows()


def test_sound_gauges_are_not_called_clogged() -> None:
    for seed in range(10):
        assert months(lambda s, d: 1.0, scatter=0.1, seed=seed) == []


def test_a_clogged_gauge_is_found_against_the_nearest_one() -> None:
    ((who, since, against),) = months(in_june("a"))
    assert (who, against) == ("a", "b")
    assert JUNE[0] <= since <= JUNE[1]


def test_if_the_nearest_is_clogged_too_the_nearest_healthy_one_judges_both() -> None:
    found = months(lambda s, day: 0.02 if s in "ab" and JUNE[0] <= day <= JUNE[1] else 1.0)
    assert [(f[0], f[2]) for f in found] == [("a", "c"), ("b", "c")]


def test_a_station_farther_than_neighbor_km_does_not_judge() -> None:
    assert months(in_june("a"), km=(0.0, 40.0)) == []
    assert [f[0] for f in months(in_june("a"), km=(0.0, 20.0))] == ["a"]


def test_a_lasting_difference_of_two_places_is_no_clogged_gauge() -> None:
    """A valley that gets 70 % of the rain 20 km away, every month."""
    assert months(lambda s, d: 0.7 if s == "a" else 1.0, km=(0.0, 20.0)) == []


def test_a_gauge_without_a_thermometer_takes_its_neighbors() -> None:
    frame = pl.DataFrame(
        {
            "day": [FIRST] * 2,
            "gauge_heated": [False] * 2,
            "air_temp_min_c": [None, None],
            "air_temp_min_c_other": [8.0, -4.0],
            "rain_coverage": [1.0] * 2,
            "rain_since_day": [FIRST] * 2,
            "rain_mm": [1.0] * 2,
        },
        schema_overrides={"air_temp_min_c": pl.Float64},
    )
    assert frame.select(ok=clogged.usable())["ok"].to_list() == [True, False]
