"""The bench over several truths runs, on the quickest of them, and its report has every table."""

from __future__ import annotations

import polars as pl
import pytest

from demo_warehouse.simulator import judge
from tests.bench import bench_truths, truth_report
from tests.bench.truth import field


def test_a_thinned_record_is_that_of_a_slower_logger() -> None:
    one = judge.strip_season(910)
    readings = one.tables["soil_reading"]
    for step_h, per_day in ((3, 8), (24, 1)):
        slow = bench_truths.thinned(readings, step_h)
        assert slow.height == pytest.approx(readings.height * per_day / 24, rel=0.01)
        assert set(slow["interval_s"]) == {step_h * 3600.0}
        # the same readings, none made up
        assert (
            slow.join(readings, on=["probe", "depth_cm", "time", "vwc_pct"]).height == slow.height
        )
    assert bench_truths.thinned(readings, None).equals(readings)


def test_the_report_has_every_truth_and_step(monkeypatch: pytest.MonkeyPatch) -> None:
    bucket = bench_truths.TRUTHS["layered bucket"]
    monkeypatch.setattr(bench_truths, "TRUTHS", {"layered bucket": bucket})
    found = bench_truths.judged(1, 911)
    assert set(found.front["step"]) == set(bench_truths.STEPS_H)
    assert not found.front["early"].any()
    change = found.use.filter(pl.col("step") == "15 to 60 min")
    assert change["true_change_pct"].null_count() == 0
    text = truth_report.report(found, 1, 911)
    for title in truth_report.TABLES:
        assert text.count(f"#### {title}") == 1
    assert text.count("| layered bucket |") == len(truth_report.TABLES) * len(bench_truths.STEPS_H)


def test_every_richards_truth_has_a_name_of_its_own() -> None:
    assert len(bench_truths.TRUTHS) == len(field.TRUTHS) + 1
