"""A water meter's file from the drop folder to the strips' irrigation: order, doubling, lateness."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import polars as pl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from flows.derive import derive
from flows.store import warehouse
from schemas.catalogue import TABLES
from tests.flows.loggers import FARM, drop, make, row, take
from transforms import order

METER = (
    FARM.replace(
        "[[probes]]",
        """
[[stations]]
name = "pump"
spells = [{field = "North", from = 2020-01-01, irrigated_area_ha = 40.46856}]
[[probes]]""",
        1,
    )
    + """
[layouts.meter]
step = "1 h"
time = {columns = ["t"], offset = "-06:00"}
[layouts.meter.columns]
"Total" = {quantity = "water_volume", unit = "acre*inch", counts = "total"}
[[sources]]
name = "meter"
layout = "meter"
station = "pump"
glob = "meter/*.csv"
settle_s = 0
"""
)
HEADING = "t,Total"
# 100 acre-inches in ten hours on 100 acres: an inch, after a day of nothing; then set to zero.
TOTAL = [500.0] * 24 + [500.0 + 10 * min(h, 10) for h in range(24)] + [0.0] * 24
LINES = [row(h + 1, total) for h, total in enumerate(TOTAL)]


@pytest.fixture(autouse=True)
def only_irrigation(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(order, "DAILY", ("weather_day", "water_meter_day"))
    monkeypatch.setattr(order, "DERIVED", ("irrigation_day",))


def irrigation(root: Path, parts: list[list[str]], *, between: bool = False) -> pl.DataFrame:
    folder = make(root / "farm", METER.replace('glob = "*.csv"', 'glob = "log/*.csv"'))
    drop(folder, "log/log.csv", [row(h, 50, 0.0, 0.31, 0.35) for h in range(1, 73)],
         heading="t,T,R,S1,S2")  # fmt: skip
    for number, part in enumerate(parts):
        drop(folder, f"meter/{number}.csv", part, heading=HEADING)
        if between:
            take(folder)
            with warehouse.open_writer(folder) as con:
                derive.derive(con)
    take(folder)
    with warehouse.open_writer(folder) as con:
        derive.derive(con)
        return warehouse.read(con, TABLES["irrigation_day"])


def test_an_inch_on_a_hundred_acres(tmp_path: Path) -> None:
    found = irrigation(tmp_path, [LINES])
    for strip in ("treated", "check"):
        depths = found.filter(pl.col("strip") == strip)["irrigation_mm"].to_list()
        assert depths == pytest.approx([0.0, 25.4, 0.0], abs=1e-4)
    assert set(found["source"]) == {"pump"}


def test_a_meter_whose_file_is_late_is_unknown_until_it_comes(tmp_path: Path) -> None:
    early = irrigation(tmp_path / "a", [LINES[:24]])
    last = early.filter(pl.col("strip") == "check")
    assert last["irrigation_mm"].to_list() == [0.0, None, None]
    assert "silent" in last["reason"][1]
    both = irrigation(tmp_path / "b", [LINES[:24], LINES[24:]], between=True)
    assert both.equals(irrigation(tmp_path / "c", [LINES]))


@settings(max_examples=4, deadline=None, suppress_health_check=list(HealthCheck))
@given(data=st.data())
def test_any_order_split_and_repetition_gives_the_same(
    tmp_path_factory: pytest.TempPathFactory, data: Any
) -> None:
    cuts = sorted(data.draw(st.lists(st.integers(1, 71), max_size=3, unique=True)))
    parts = [LINES[a:b] for a, b in zip([0, *cuts], [*cuts, 72], strict=True)]
    parts += data.draw(st.lists(st.sampled_from(parts), max_size=2))
    shuffled = data.draw(st.permutations(parts))
    root = tmp_path_factory.mktemp("meter")
    other = irrigation(root / "a", shuffled, between=data.draw(st.booleans()))
    assert other.equals(irrigation(root / "b", [LINES]))
