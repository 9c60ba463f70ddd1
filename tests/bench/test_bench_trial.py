"""The calibration bench on few trials with loose bounds: quick, and the bench cannot rot."""

from __future__ import annotations

import pytest

from tests.bench import bench_trial as bench
from transforms.money.methods import paid_chance

TRIALS = 120


def test_even_ground_few_false_claims_and_six_percent_found() -> None:
    rows = {row["blocks"]: row for row in bench.even(160)}
    assert all(row["claimed without effect %"] <= 8 for row in rows.values())
    assert rows[2]["called at 6 % %"] > 15
    assert rows[10]["called at 6 % %"] > 90
    assert all(row["interval covers %"] >= 80 for row in rows.values())


def test_interval_of_a_site_year_covers() -> None:
    for row in bench.intervals(TRIALS):
        assert row["coverage %"] >= 90


def test_pooled_interval_and_prediction_cover() -> None:
    for row in bench.pools(60, (6,)):
        assert 83 <= row["mean covered %"] <= 100
        assert 83 <= row["next covered %"] <= 100


def test_widest_interval_covers_where_fields_differ() -> None:
    for row in bench.shared_fields(50):
        assert row["widest interval covers %"] >= 88
        assert row["interval by site-years covers %"] < row["widest interval covers %"]


def test_probability_of_having_paid_is_reliable() -> None:
    found = bench.paid(160)
    assert found["said"].null_count() == 0
    sure = found.filter(found["said"] > 0.8)["true"].to_numpy().mean()
    unsure = found.filter((found["said"] > 0.3) & (found["said"] < 0.7))["true"].to_numpy().mean()
    not_so = found.filter(found["said"] < 0.2)["true"].to_numpy().mean()
    assert sure > 0.85
    assert 0.2 < unsure < 0.8
    assert not_so < 0.15


def test_a_fields_chance_is_nearer_the_truth_with_what_the_others_show(monkeypatch) -> None:
    """Where site-years hardly differ in truth; Brier's score of the same 400 fields."""

    def score() -> float:
        found = bench.paid(400, 50.0)
        return float(((found["said"] - found["true"].cast(float)) ** 2).to_numpy().mean())

    drawn = score()
    monkeypatch.setattr(paid_chance, "drawn", lambda _: {})
    assert drawn < score() - 0.005


def test_markdown() -> None:
    assert bench.markdown([{"a": 1, "b": 2.25, "c": None}]).splitlines()[-1] == "| 1 | 2.2 |  |"


@pytest.mark.parametrize("part", [bench.fades, bench.drivers])
def test_other_parts_run(part) -> None:
    for row in part(40):
        for name, value in row.items():
            if "covered" in name:
                assert 80 <= value <= 100
            if "claim" in name:
                assert value <= 20
