from datetime import date, timedelta

import numpy as np
import polars as pl

from transforms.methods import flat_line


def stuck(values: np.ndarray, spans: np.ndarray, moves: bool = False) -> set[int]:
    """Days called stuck, of daily means and of the span within each day."""
    days = [date(2020, 1, 1) + timedelta(days=i) for i in range(len(values))]
    frame = pl.DataFrame({"s": "a", "day": days, "v": values, "span": spans, "moves": moves})
    moved = (pl.col("v") - pl.col("v").shift(1)).abs()
    found = flat_line.stuck(
        frame,
        ["s"],
        same=(moved < 1e-9) & (pl.col("span") == 0),
        alive=(pl.col("span") > 0) & (2 * moved < pl.col("span")),
        moves=pl.col("moves"),
    )
    return set(found.arg_true().to_list())


def flickering(n: int, seed: int = 1) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    return 30 + rng.normal(0, 0.02, n), np.full(n, 0.2)


def test_a_flickering_sensor_that_rests_for_a_week_is_stuck() -> None:
    values, spans = flickering(200)
    values[100:107], spans[100:107] = 30.0, 0.0
    assert stuck(values, spans) == set(range(101, 107))
    assert stuck(*flickering(200)) == set()


def test_while_something_else_of_the_sensor_moves_twice_as_many_days_are_needed() -> None:
    values, spans = flickering(200)
    values[100:107], spans[100:107] = 30.0, 0.0
    assert stuck(values, spans, moves=True) == set()
    values[100:114], spans[100:114] = 30.0, 0.0
    assert stuck(values, spans, moves=True) == set(range(101, 114))


def test_a_coarse_first_year_is_judged_by_itself() -> None:
    """Whole percents that rest for weeks, then a fine resolution: nothing is stuck."""
    fine, spans = flickering(400)
    coarse = np.repeat([31.0, 30.0, 29.0, 30.0, 28.0], [40, 25, 50, 30, 55])
    values = np.concatenate([coarse, fine])
    both = np.concatenate([np.zeros(200), spans])
    assert stuck(values, both) == set()
    values[300:320], both[300:320] = 30.0, 0.0
    assert stuck(values, both) == set(range(301, 320))


def test_a_record_that_never_moves_is_stuck_after_ninety_days() -> None:
    assert stuck(np.full(80, 30.0), np.zeros(80)) == set()
    assert stuck(np.full(120, 30.0), np.zeros(120)) == set(range(1, 120))


def test_a_day_sees_only_so_much_of_its_run() -> None:
    """Cut off beyond that and the habit beside it, a record says the same of a day."""
    n, reach = 1600, flat_line.REACH + flat_line.AROUND + 1
    moved = np.arange(n) % 40 == 0  # a sensor that moves by itself every forty days
    moved[400:1100] = False
    values, spans = 30 + 0.05 * np.cumsum(moved), np.where(moved, 0.2, 0.0)
    whole = stuck(values, spans, moves=True)
    assert 750 in whole  # nothing rests for more than a year
    assert not {420, 1080} & whole  # for what is seen of the run from there it may
    for day in range(reach, n - reach, 7):
        cut = slice(day - reach, day + reach + 1)
        assert (day in whole) == (reach in stuck(values[cut], spans[cut], moves=True)), day


def test_sensors_do_not_run_into_each_other() -> None:
    one = pl.DataFrame({"s": ["a"] * 4 + ["b"] * 4, "v": [1.0] * 8})
    found = flat_line.stuck(one, ["s"], same=pl.lit(True), alive=pl.lit(False))
    assert found.to_list() == [False] * 8
