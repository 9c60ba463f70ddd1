from datetime import date, timedelta
from itertools import pairwise

import polars as pl
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.transforms.frames import days, rows
from transforms.soil.methods.soil_layers import expected_days, with_layers


def layers(*depths: float) -> list[tuple[float, float]]:
    frame = with_layers(pl.DataFrame({"probe": "p", "depth_cm": list(depths)}), ["probe"])
    return list(frame.sort("depth_cm").select("layer_top_cm", "layer_bottom_cm").iter_rows())


def test_midpoints_surface_and_half_the_last_spacing() -> None:
    assert layers(10.0, 30.0, 50.0, 100.0) == [(0, 20), (20, 40), (40, 75), (75, 125)]


def test_a_lone_sensor_stands_in_the_middle_of_its_layer() -> None:
    assert layers(30.0) == [(0, 60)]


def test_order_of_rows_does_not_matter() -> None:
    assert layers(50.0, 10.0, 30.0) == layers(10.0, 30.0, 50.0)


@settings(deadline=None)
@given(st.lists(st.integers(1, 300), min_size=1, max_size=12, unique=True))
def test_layers_join_without_gap_and_hold_their_sensor(depths: list[int]) -> None:
    found = layers(*(float(d) for d in sorted(depths)))
    assert found[0][0] == 0
    assert all(a[1] == b[0] for a, b in pairwise(found))
    assert all(top < d < bottom for (top, bottom), d in zip(found, sorted(depths), strict=True))


def test_days_are_expected_within_spells_and_the_record() -> None:
    record = rows(
        "soil_day",
        [
            {"probe": "p", "depth_cm": 10.0, "day": date(2024, 5, 3)},
            {"probe": "p", "depth_cm": 10.0, "day": date(2024, 5, 12)},
            {"probe": "p", "depth_cm": 99.0, "day": date(2024, 5, 12)},
        ],
    )
    spell = rows(
        "probe_spell",
        [
            {"from_day": date(2024, 5, 1), "to_day": date(2024, 5, 4)},
            {"from_day": date(2024, 5, 10)},
        ],
        probe="p",
        field="f",
        strip="check",
    )
    sensor = rows(
        "sensor",
        [
            {"probe": "p", "depth_cm": 10.0},
            {"probe": "p", "depth_cm": 30.0, "from_day": date(2024, 5, 11)},
        ],
    )
    found = expected_days(record, spell, sensor)
    at = {d: found.filter(pl.col("depth_cm") == d)["day"].to_list() for d in (10.0, 30.0, 99.0)}
    assert at[10.0] == [*days("2024-05-03", 2), *days("2024-05-10", 3)]
    assert at[30.0] == days("2024-05-11", 2)  # the silent sensor is expected all the same
    assert at[99.0] == at[10.0]  # a depth that nobody declared


def heard(*on: date, depth_cm: float = 10.0) -> list[dict[str, object]]:
    return [{"probe": "p", "depth_cm": depth_cm, "day": day} for day in on]


def expected(record: list[dict[str, object]]) -> pl.DataFrame:
    spell = rows(
        "probe_spell", [{"from_day": date(2019, 1, 1)}], probe="p", field="f", strip="check"
    )
    sensor = rows("sensor", [{"probe": "p", "depth_cm": 10.0}])
    return expected_days(rows("soil_day", record), spell, sensor)


def test_a_silence_of_a_year_has_its_days_a_longer_one_none() -> None:
    first = date(2020, 6, 1)
    whole = expected(heard(first, first + timedelta(days=365)))
    assert whole["day"].to_list() == days("2020-06-01", 366)
    broken = expected(heard(first, first + timedelta(days=366)))
    assert broken["day"].to_list() == [first, first + timedelta(days=366)]


def test_a_depth_that_nobody_declared_is_expected_for_a_year_beside_its_own_days() -> None:
    on = [date(2020, 1, 1) + timedelta(days=30 * n) for n in range(60)]
    found = expected(heard(*on) + heard(date(2022, 1, 1), depth_cm=99.0))
    own = found.filter(pl.col("depth_cm") == 99)["day"]
    assert (own.min(), own.max()) == (date(2021, 1, 1), date(2023, 1, 1))
    assert own.len() == 731
