from typing import Any

import numpy as np
import pytest

from schemas import generated
from schemas.catalogue import TABLES
from tests.transforms.frames import check, rows
from tests.transforms.ground import Array
from tests.transforms.soil.record_limits import LAYER, NO_OFFSET, limits, usable
from transforms.soil import soil_limit

PROBE = {name: LAYER[name] for name in ("probe", "depth_cm")}


def limit(theta: Array, **given: float) -> dict[str, Any]:
    frame = limits(*usable(theta), NO_OFFSET, rows("sensor", [{**PROBE, **given}]))
    check(frame, "soil_limit")
    return frame.row(0, named=True)


def soakings(full: float = 38.0, dry: float = 24.0) -> Array:
    """Three soakings that drain to ``full`` within days and are dried to ``dry``."""
    theta = [dry] * 20
    for _ in range(3):
        drain = full + 4 * np.exp(-np.arange(6) / 1.2)
        theta += [*drain, *np.linspace(full, dry, 36), *([dry] * 12)]
    return np.array(theta) + np.random.default_rng(1).normal(0, 0.02, len(theta))


def test_limits_of_the_record() -> None:
    row = limit(soakings())
    assert row["drained_upper_limit_pct"] == pytest.approx(38.1, abs=0.4)
    assert row["lower_limit_pct"] == pytest.approx(24.0, abs=0.1)
    assert (row["drained_upper_limit_from"], row["lower_limit_from"]) == ("record", "record")
    assert (row["wettings"], row["partial"]) == (3, False)


def test_a_wetting_that_does_not_fill_the_layer_is_no_drained_upper_limit() -> None:
    row = limit(np.concatenate([soakings(), soakings(full=31.0)]))
    assert row["drained_upper_limit_pct"] == pytest.approx(38.1, abs=0.4)
    assert row["wettings"] == 3


def test_many_wettings_are_said_as_ten() -> None:
    assert limit(np.concatenate([soakings()] * 5))["wettings"] == 10


def test_limits_that_are_given_win_and_are_said() -> None:
    row = limit(soakings(), drained_upper_limit_pct=40.25, lower_limit_pct=20.0)
    assert (row["drained_upper_limit_from"], row["lower_limit_from"]) == ("given", "given")
    assert (row["drained_upper_limit_pct"], row["lower_limit_pct"]) == (40.25, 20.0)
    row = limit(soakings(), lower_limit_pct=20.0)
    assert (row["drained_upper_limit_from"], row["lower_limit_from"]) == ("record", "given")


def test_without_a_wetting_the_drained_upper_limit_is_the_highest_that_lasted() -> None:
    row = limit(np.linspace(38, 25, 100))
    assert (row["drained_upper_limit_from"], row["wettings"]) == ("highest seen", 0)
    assert row["drained_upper_limit_pct"] == pytest.approx(38 - 6 * 13 / 99, abs=0.05)


def test_rests_below_most_of_the_record_are_no_drained_upper_limit() -> None:
    """A layer that stays wet, and was wetted once in part after the crop had dried it."""
    wet = np.full(120, 41.0)
    dried = np.linspace(41.0, 30.0, 40)
    part = 33.0 + 1.5 * np.exp(-np.arange(30) / 2)
    theta = np.concatenate([wet, dried, part])
    row = limit(theta)
    assert row["drained_upper_limit_pct"] == pytest.approx(41.0, abs=0.1)
    assert row["drained_upper_limit_from"] == "highest seen"
    # as often dry as wet, the rest is believed
    mostly_dry = limit(np.concatenate([theta, np.full(200, 30.0)]))
    assert mostly_dry["drained_upper_limit_pct"] == pytest.approx(33.2, abs=0.3)


def test_a_short_record_has_no_limits_and_says_why() -> None:
    row = limit(soakings()[:59])
    assert row["drained_upper_limit_pct"] is row["drained_upper_limit_from"] is None
    assert row["lower_limit_pct"] is row["lower_limit_from"] is None
    assert row["partial"]
    assert "too short" in row["reason"]
    assert limit(soakings()[:60])["lower_limit_pct"] is not None


def test_a_day_more_changes_no_limit_that_stands() -> None:
    theta = np.concatenate([soakings(), np.full(30, 30.0)])
    assert limit(theta) == limit(theta[:-1])


def test_empty() -> None:
    empty = [generated.empty(TABLES[n]) for n in ("soil_month", "soil_wetting", "sensor")]
    check(soil_limit.derive(*empty), "soil_limit")
