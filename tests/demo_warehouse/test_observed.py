"""Observations of the demo are the truth of its simulation with the error of a hand measurement."""

from datetime import date

import polars as pl
import pytest

from demo_warehouse.simulator import plan
from flows.books import fieldbook


@pytest.fixture(scope="module")
def seen(laid):
    return fieldbook.read(laid / "fieldbook", currency="CAD").frames["observation"]


def test_water_soaks_in_faster_where_the_layer_is_broken(seen, whole_farm):
    rings = seen.filter(pl.col("what") == "infiltration")
    assert rings["unit"].unique().to_list() == ["mm/h"]
    means = rings.group_by("field", "strip", "day").agg(pl.col("value").mean())
    sides = means.pivot(on="strip", index=["field", "day"], values="value")
    ratio = sides.with_columns(ratio=pl.col("treated") / pl.col("check"))
    first = {o.field: o.day for o in reversed(whole_farm.plan.operations)}
    after = pl.col("day") > pl.col("field").replace_strict(first)
    tilled = ratio.filter(pl.col("field") != "Gumbo")
    assert tilled.filter(after)["ratio"].min() > 1.2
    before = tilled.filter(~after)["ratio"]
    assert before.len() == 2
    assert before.is_between(0.5, 1.6).all()


def test_the_pit_shows_the_roots(seen, whole_farm):
    pits = seen.filter(pl.col("what") == "deepest roots")
    assert pits.height == 10  # a field a year
    for row in pits.iter_rows(named=True):
        at = (row["day"] - plan.FIRST).days
        front = whole_farm.water.front_cm[at, whole_farm.plan.strip(row["field"], row["strip"])]
        assert row["value"] * 2.54 == pytest.approx(front, abs=16)


def test_winter_crops_are_counted_in_spring(seen):
    stands = seen.filter(pl.col("what") == "plant stand")
    assert stands["day"].dt.month().is_between(4, 6).all()
    assert stands.filter(field="Gumbo", day=date(2022, 5, 30)).height == 4
