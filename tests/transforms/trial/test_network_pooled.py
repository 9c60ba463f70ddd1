"""What farms say together: groups, money by currency, and rows that tell of too few left out."""

from __future__ import annotations

import polars as pl
import pytest

from flows.network import pooled
from schemas import generated
from schemas.catalogue import NETWORK
from schemas.network import SHARED
from tests.flows import shared_farms
from transforms.trial.methods.farm_pooling import over_farms

KEY = ("practice", "measure", "layer", "currency", "grouping", "member")


def network(farms: int, named=(), currency=lambda n: "CAD", **options) -> tuple[dict, pl.DataFrame]:
    """Return the shared tables of all farms, and their rows of network_farm."""
    each = [shared_farms.tables(shared_farms.farm_id(n), n, **options) for n in range(farms)]
    frames = {name: pl.concat([tables[name] for tables in each]) for name in SHARED}
    about = [
        {
            "farm": shared_farms.farm_id(n),
            "share": "named" if n in named else "pooled",
            "currency": currency(n),
        }
        for n in range(farms)
    ]
    return frames, generated.conform(pl.DataFrame(about), NETWORK["network_farm"])


def one(found: pl.DataFrame, **equal) -> dict:
    wanted = {"layer": "all", "currency": "none", "grouping": "all", "member": "all"} | equal
    return found.row(
        by_predicate=pl.all_horizontal(pl.col(k) == v for k, v in wanted.items()), named=True
    )


@pytest.fixture(scope="module")
def found() -> pl.DataFrame:
    return pooled.answers(*network(20))


def test_each_measure_is_pooled_over_farms(found):
    assert found.select(KEY).is_unique().all()
    frames, _ = network(20)
    rows = frames["response"].with_columns(value="response_pct")
    by_hand = over_farms(rows.with_columns(field=pl.concat_str("farm", "field")))
    row = one(found, measure="response")
    assert row["gain_pct"] == pytest.approx(by_hand.mean.mean, abs=0.006)
    assert row["gain_low_pct"] == pytest.approx(by_hand.mean.low, abs=0.006)
    assert row["spread_high_pct"] == pytest.approx(by_hand.spread_high, abs=0.006)
    assert (row["farms"], row["fields"], row["site_years"]) == (20, 40, 120)
    assert one(found, measure="root lead", layer="60")["gain_d"] == 4.0
    assert one(found, measure="deep uptake")["gain_mm"] == 10.0
    assert one(found, measure="rain capture")["gain_pct"] == 5.0
    assert one(found, measure="winter recharge")["gain_mm"] == 10.0
    assert one(found, measure="winter recharge share")["gain_pct"] == 5.0
    half = one(found, measure="water use efficiency")["gain_pct"]
    assert half == pytest.approx(row["gain_pct"] / 2, abs=0.02)


def test_groups_are_by_crop_soil_rain_and_years(found):
    groups = found.filter(measure="response").group_by("grouping").agg("member")
    members = {name: set(found) for name, found in groups.iter_rows()}
    assert members == {
        "all": {"all"},
        "crop": set(shared_farms.CROPS),
        "soil": set(shared_farms.SOILS),
        "season rain": set(shared_farms.RAIN),
        "years since": {"1", "2", "3"},
    }
    for grouping in ("crop", "season rain", "years since"):
        rows = found.filter(measure="response", grouping=grouping)
        assert rows["site_years"].sum() == 120
    # Each group of years is of one season here: what that season did to all farms is not known.
    assert found.filter(measure="response", grouping="years since")["partial"].all()
    assert not one(found, measure="response")["partial"]


def test_how_long_it_lasts_is_a_slope_of_each_field():
    frames, farms = network(12)
    fading = pl.col("response_pct") - 2.0 * (pl.col("years_since") - 1)
    before = one(pooled.answers(frames, farms), measure="response change by year")
    frames["response"] = frames["response"].with_columns(response_pct=fading)
    after = one(pooled.answers(frames, farms), measure="response change by year")
    assert after["gain_pct"] == pytest.approx(before["gain_pct"] - 2.0, abs=0.011)
    assert after["site_years"] == after["fields"] == 24


def test_a_row_says_what_it_lacks():
    """Two farms without probes, one that is new to it, and a season without a yield on each field."""
    frames, farms = network(12)
    usual = one(pooled.answers(frames, farms), measure="deep uptake")
    assert (usual["coverage"], usual["farms_without"], usual["partial"], usual["reason"]) == (
        1,
        0,
        False,
        None,
    )
    bare = [shared_farms.farm_id(n) for n in (2, 5)]
    frames["drawdown_season"] = frames["drawdown_season"].filter(~pl.col("farm").is_in(bare))
    frames["response"] = frames["response"].filter(
        (pl.col("season") > 2021) & (pl.col("farm") != shared_farms.farm_id(7))
    )
    found = pooled.answers(frames, farms)
    uptake, response, change = (
        one(found, measure=name) for name in ("deep uptake", "response", "response change by year")
    )
    said = ("farms", "farms_without", "site_years", "coverage", "partial", "reason")
    assert [uptake[k] for k in said] == [
        10, 2, 60, 0.833, True, "not known in 12 of 72 site-years; farms that have none: 2",
    ]  # fmt: skip
    assert [response[k] for k in said] == [
        11, 1, 44, 0.611, True,
        "not known in 28 of 72 site-years; farms that have none: 1; fewer than three seasons",
    ]  # fmt: skip
    assert (change["site_years"], change["coverage"]) == (22, 0.917)
    assert "not known in 2 of 24 fields" in change["reason"]
    first = found.row(
        by_predicate=(pl.col("measure") == "deep uptake") & (pl.col("member") == "2"), named=True
    )
    assert (first["coverage"], first["farms_without"]) == (0.833, 2)


def test_coverage_of_money_is_of_farms_that_share_that_currency():
    found = pooled.answers(*network(14, currency=lambda n: "CAD" if n < 8 else None))
    row = one(found, measure="season net", currency="CAD")
    assert (row["farms"], row["farms_without"], row["coverage"]) == (8, 0, 1.0)


def test_currencies_are_never_mixed():
    found = pooled.answers(*network(14, currency=lambda n: "CAD" if n < 8 else "USD"))
    money = found.filter(measure="season net", grouping="all")
    assert dict(money.select("currency", "farms").iter_rows()) == {"CAD": 8, "USD": 6}
    few = pooled.answers(*network(14, currency=lambda n: "CAD" if n < 10 else "USD"))
    assert few.filter(measure="season net")["currency"].unique().to_list() == ["CAD"]
    assert one(few, measure="response")["farms"] == 14


def test_few_farms_are_not_shown():
    assert pooled.answers(*network(4)).is_empty()
    assert one(pooled.answers(*network(5)), measure="response")["farms"] == 5
    assert pooled.answers(*network(9, named=range(5))).is_empty()
    assert not pooled.answers(*network(9, named=range(9))).is_empty()


def test_a_crop_of_few_farms_cannot_be_subtracted():
    frames, farms = network(12, crops=("wheat",))
    rare = pl.col("farm").is_in([shared_farms.farm_id(n) for n in (3, 7)]) & (
        pl.col("season") == 2022
    )
    crop = pl.when(rare).then(pl.lit("lentil")).otherwise("crop")
    frames["season"] = frames["season"].with_columns(crop=crop)
    found = pooled.answers(frames, farms).filter(measure="response")
    assert "all" in found["member"]
    assert not {"wheat", "lentil"} & set(found["member"])


def test_fields_of_one_name_on_two_farms_are_two():
    """Whatever the names: every farm calls its fields alike here."""
    frames, farms = network(7)
    usual = pooled.answers(frames, farms)
    for name, frame in frames.items():
        named = [column for column in ("field", "name") if column in frame.columns]
        frames[name] = frame.with_columns(pl.col(column).str.slice(4) for column in named)
    assert frames["field"]["field"].n_unique() == 2
    assert pooled.answers(frames, farms).equals(usual)


def test_practices_are_one_in_any_spelling():
    frames, farms = network(8)
    odd = pl.when(pl.col("farm") == shared_farms.farm_id(1)).then(pl.lit(" Deep  Tillage"))
    for name in ("field", "operation", "response", "payback", "comparison"):
        frames[name] = frames[name].with_columns(practice=odd.otherwise("practice"))
    found = pooled.answers(frames, farms)
    assert found["practice"].unique().to_list() == ["deep tillage"]
    assert one(found, measure="response")["farms"] == 8


def test_strips_of_one_field_count_once():
    frames, farms = network(6)
    for name, frame in frames.items():
        if {"strip", "against"} <= set(frame.columns) and "name" not in frame.columns:
            twice = pl.col("strip").replace({"treated": "twice"})
            more = frame.with_columns(
                strip=twice, against=pl.col("against").replace({"treated": "twice"})
            )
            frames[name] = pl.concat([frame, more])
    done = frames["operation"]
    frames["operation"] = pl.concat([done, done.with_columns(strip=pl.lit("twice"))])
    listed = frames["comparison"].with_columns(name=pl.col("field") + " treated")
    more = listed.with_columns(strip=pl.lit("twice"), name=pl.col("field") + " twice")
    frames["comparison"] = pl.concat([listed, more])
    several = pooled.answers(frames, farms)
    usual = pooled.answers(*network(6))
    for measure in (
        "response",
        "season net",
        "deep uptake",
        "rain capture",
        "response change by year",
    ):
        currency = "CAD" if measure == "season net" else "none"
        a, b = (one(t, measure=measure, currency=currency) for t in (several, usual))
        same = ("farms", "fields", "site_years")
        assert [a[k] for k in same] == [b[k] for k in same], measure


def test_a_network_without_rows_says_nothing():
    frames, farms = network(6)
    empty = {name: frame.clear() for name, frame in frames.items()}
    assert pooled.answers(empty, farms.clear()).is_empty()
