"""AquaCrop as a truth: its water closes, and its tables are those of an instrument that reads once a day."""

import polars as pl
import pytest

from demo_warehouse.simulator import judge
from tests.bench.truth import aqua


def test_a_season_closes_and_has_one_reading_a_day():
    one = next(aqua.strip_seasons([(640, judge.Options(depths_cm=(20, 40, 60, 80, 100)))]))
    c = pl.col
    held = one.truth.balance.with_columns(
        rise=c("storage_mm") - c("storage_mm").shift(1).over("strip"),
        net=c("infiltration_mm") - c("evaporation_mm") - c("transpiration_mm") - c("drainage_mm"),
    ).drop_nulls()
    assert held["rise"].to_list() == pytest.approx(held["net"].to_list(), abs=1e-6)
    assert held["transpiration_mm"].sum() > 100
    readings = one.tables["soil_reading"]
    assert set(readings["interval_s"]) == {86400.0}
    assert readings.select("probe", "depth_cm", c("time").dt.date()).is_duplicated().sum() == 0
    # no depth that its roots have from the day of planting on
    assert one.truth.root["depth_cm"].min() == 40
    assert (one.truth.root["reached"].drop_nulls() > one.tables["season"]["seeded"][0]).all()
