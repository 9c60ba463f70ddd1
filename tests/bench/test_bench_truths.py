"""The bench over several truths runs, on the quickest of them, and its report has every table."""

from __future__ import annotations

from pathlib import Path

import polars as pl
import pytest

from demo_warehouse.simulator import judge
from tests.bench import bench_truths, truth_report
from tests.bench.truth import field


def test_a_thinned_record_is_that_of_a_slower_logger() -> None:
    one = judge.strip_season(910)
    readings = one.tables["soil_reading"]
    for step_min, per_day in ((180, 8), (1440, 1)):
        slow = bench_truths.thinned(readings, step_min)
        assert slow.height == pytest.approx(readings.height * per_day / 24, rel=0.01)
        assert set(slow["interval_s"]) == {step_min * 60.0}
        # the same readings, none made up
        assert (
            slow.join(readings, on=["probe", "depth_cm", "time", "vwc_pct"]).height == slow.height
        )
    assert bench_truths.thinned(readings, 60).equals(readings)


def test_the_report_has_every_truth_and_step(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr(bench_truths, "NAMES", ("layered bucket", "AquaCrop"))
    monkeypatch.setattr(bench_truths, "STEPS_MIN", {"3 h": 180, "1 day": 1440})
    found = bench_truths.judged(1, 911, tmp_path)
    bucket = found.front.filter(pl.col("truth") == "layered bucket")
    assert set(bucket["step"]) == {"3 h", "1 day"}
    assert not found.front["early"].any()
    change = found.use.filter(pl.col("step") == "1 day")
    assert change["true_change_pct"].null_count() == 0
    text = truth_report.report(found, 1, 911)
    for title in truth_report.TABLES:
        assert text.count(f"#### {title}") == 1
    assert text.count("| layered bucket |") == 2 * len(truth_report.TABLES)
    # AquaCrop has one value a day, and says nothing of shares
    assert text.count("| AquaCrop | 1 day |") == len(truth_report.TABLES) - 1

    def not_again(*_: object) -> None:
        raise AssertionError("made again, though it is kept")

    monkeypatch.setattr(bench_truths, "_of_truth", not_again)
    assert bench_truths.judged(1, 911, tmp_path).use.equals(found.use)


def test_a_share_of_few_cases_has_its_error_and_of_many_none() -> None:
    assert truth_report._percent(pl.Series([True] * 9 + [False])) == "90 ± 9"
    assert truth_report._percent(pl.Series([True] * 12)) == "100 (12)"
    assert truth_report._percent(pl.Series([True, False] * 500)) == "50"
    assert truth_report._percent(pl.Series([None], dtype=pl.Boolean)) == "–"


def test_every_richards_truth_has_a_name_of_its_own() -> None:
    assert len(bench_truths.NAMES) == len(field.TRUTHS) + 2
