"""What the plan says of blocks, years and cost, in the reader's units."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import duckdb
import polars as pl
import pytest

from flows.base.errors import UserError
from flows.farm.folder import FarmFolder
from flows.setup.plan import evidence
from flows.setup.plan.evidence import Asked, own_scatter
from flows.setup.plan.written import Made, make
from schemas import generated
from schemas.catalogue import TABLES
from tests.flows.setup.plan.grounds import planned_farm, wanted
from transforms.trial.methods.new_site_year import PUBLISHED, Scatter

HERE = Asked(50.0, 3.0, 28.0)


@pytest.fixture
def farm(tmp_path: Path) -> FarmFolder:
    return planned_farm(tmp_path)


def made(farm: FarmFolder, asked: Asked = HERE, **more: Any) -> Made:
    return make(farm, wanted(farm, **more), asked)


def publish(farm: FarmFolder, rows: list[dict[str, Any]]) -> None:
    """A published copy that has only responses."""
    farm.make()
    found = generated.conform(pl.DataFrame(rows), TABLES["response"])
    with duckdb.connect(str(farm.published_file)) as con:
        con.execute("CREATE TABLE response AS SELECT * FROM found")
    assert found.height == len(rows)


def test_without_data_the_published_trials_are_named(farm: FarmFolder) -> None:
    assert own_scatter(farm) == PUBLISHED
    html = made(farm).files[2].read_text(encoding="utf-8")
    assert "published uniformity trials (open collection agridat)" in html
    assert "scatters by 8.8% of the yield" in html


def test_the_farms_own_scatter_counts_from_three_site_years(farm: FarmFolder) -> None:
    """Error of blocks 45 of 3,000 kg/ha is 1.5%, so one of four blocks scatters by 3%."""
    row = {"field": "Old", "check_kg_ha": 3000.0, "response_se_kg_ha": 45.0, "response_df": 9.0}
    rows = [row | {"season": 2020 + n, "blocks": 4} for n in range(3)]
    publish(farm, rows[:2])
    assert own_scatter(farm) == PUBLISHED
    farm.published_file.unlink()
    publish(farm, rows)
    assert own_scatter(farm) == Scatter(pytest.approx(9.0), 0.0, 9.0, 4.0, 3)
    html = made(farm).files[2].read_text(encoding="utf-8")
    assert (
        "On this farm the difference of one block scatters by 3.0% of the yield (3 site-years)"
        in html
    )
    farm.published_file.unlink()
    farm.published_file.write_bytes(b"no database")
    assert own_scatter(farm) == PUBLISHED


def test_the_blocks_and_years_that_find_a_response(farm: FarmFolder) -> None:
    """Every way that is named finds 3 of 50 bu/ac (6%), and a block or a listed year less does not."""
    plan, scatter = made(farm).plan, PUBLISHED
    (said,) = [s for s in evidence.sentences(plan, scatter, HERE) if "four times out of five" in s]
    assert said.startswith("A response of 3 bu/ac (6.0%) is found four times out of five with ")
    table = dict(evidence.table(plan, scatter))
    assert "10 blocks in 2 years" in said
    assert "6 blocks in 4 years" in said
    assert table[10][1] <= 6.0 < table[8][1]  # type: ignore[operator]
    assert table[6][3] <= 6.0 < table[4][3]  # type: ignore[operator]
    small = evidence.sentences(plan, scatter, replace(HERE, response=0.5))
    assert any("would not be found" in s and "add fields" in s for s in small)


def test_the_planned_number_of_blocks_is_in_the_table(farm: FarmFolder) -> None:
    plan = made(farm, blocks=5).plan
    rows = evidence.rows(plan, PUBLISHED, HERE)
    assert [row[0] for row in rows] == ["2", "3", "4", "5 (this plan)", "6", "8", "10"]
    assert rows[0][1] == "no verdict"
    value = PUBLISHED.findable_pct(5, 2, by_lot=True)
    assert value is not None
    assert rows[3][2] == f"{value:.1f}% ({value / 2:.1f})"
    assert evidence.rows(plan, PUBLISHED, Asked())[3][2] == f"{value:.1f}%"


def test_the_cost_is_area_times_rate(farm: FarmFolder) -> None:
    """Four strips, 30 ft wide; 1 ac is 43,560 square feet."""
    plan = made(farm).plan
    feet = sum(s.length_m / 0.3048 for s in plan.layout.strips if s.worked)
    acres = 30 * feet / 43560
    (said,) = [s for s in evidence.sentences(plan, PUBLISHED, HERE) if s.startswith("Area")]
    assert said.startswith(
        f"Area to work: {acres:.1f}\u00a0ac. At 28 USD/ac that is {28 * acres:,.0f} USD"
    )
    three = made(farm, three=True).plan
    twice = sum(s.worked * 30 * s.length_m / 0.3048 for s in three.layout.strips) / 43560
    (said,) = [s for s in evidence.sentences(three, PUBLISHED, HERE) if s.startswith("Area")]
    assert f"{28 * twice:,.0f} USD" in said
    assert "twice counts twice" in said


def test_one_block_is_too_few(farm: FarmFolder) -> None:
    for blocks, told in ((1, True), (2, False)):
        said = evidence.sentences(made(farm, blocks=blocks).plan, PUBLISHED, HERE)
        assert (evidence.ONE_BLOCK in said) is told


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        (Asked(None, 3.0), "--response needs --yield"),
        (Asked(-1.0), "--yield -1: expected a number above 0"),
        (Asked(45.0, float("nan")), "--response nan: expected"),
        (Asked(cost=0.0), "--cost 0: expected"),
    ],
)
def test_numbers_that_cannot_be_used(farm: FarmFolder, asked: Asked, said: str) -> None:
    with pytest.raises(UserError, match=said):
        made(farm, asked)
    assert not (farm.root / "plans").exists()
