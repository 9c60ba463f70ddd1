"""comparison: two strips, three strips, several checks, two practices; and what a formula then sees."""

from __future__ import annotations

from datetime import date
from typing import Any

import polars as pl
import pytest
from polars.testing import assert_frame_equal

from flows.derive.making import by_strips
from schemas import compared, generated
from schemas.catalogue import TABLES
from tests.transforms.frames import check, rows
from transforms.methods import comparisons
from transforms.trial import comparison

DEEP, GYPSUM = "deep tillage", "gypsum"


def _derive(*strips: dict[str, Any]) -> pl.DataFrame:
    fields = rows("field", [{"field": f, "practice": DEEP} for f in ("Gumbo", "River")])
    out = comparison.derive(fields, rows("strip", strips, field="Gumbo"))
    check(out, "comparison")
    return out


def _pairs(found: pl.DataFrame) -> list[tuple[str, str]]:
    return found.filter(pl.col("field") == "Gumbo").select("strip", "against").rows()


TWO = ({"strip": "treated", "role": "treated"}, {"strip": "check", "role": "check"})
THREE = (
    {"strip": "once", "role": "treated"},
    {"strip": "again", "role": "treated", "against": "check; once"},
    {"strip": "check", "role": "check"},
)


@pytest.mark.parametrize("strips", [(), TWO, TWO[:1], ({"strip": "check"}, {"strip": "treated"})])
def test_two_strips_are_one_comparison_under_the_fields_name(strips) -> None:
    found = _derive(*strips)
    assert found.select("field", "strip", "against", "name").rows() == [
        (f, "treated", "check", f) for f in ("Gumbo", "River")
    ]
    assert set(found["practice"]) == {DEEP}
    assert comparisons.several(found).is_empty()


def test_one_check_serves_two_and_a_repeat_is_a_practice_of_its_own() -> None:
    found = _derive(*THREE).filter(pl.col("field") == "Gumbo")
    assert _pairs(found) == [("again", "check"), ("again", "once"), ("once", "check")]
    assert found["practice"].to_list() == [DEEP, f"{DEEP} (again against once)", DEEP]
    assert set(found["worked_with"]) == {DEEP}
    assert found["against_role"].to_list() == ["check", "treated", "check"]
    assert found["name"][0] == "Gumbo (again against check)"


def test_a_third_strip_stands_beside_the_usual_two() -> None:
    found = _derive(*TWO, {"strip": "rolled", "role": "treated", "practice": GYPSUM})
    assert _pairs(found) == [("rolled", "check"), ("treated", "check")]
    assert found.filter(pl.col("field") == "Gumbo")["practice"].to_list() == [GYPSUM, DEEP]


def test_several_checks_need_a_word_and_none_leaves_nothing_to_compare() -> None:
    checks = ({"strip": "east", "role": "check"}, {"strip": "west", "role": "check"})
    assert _pairs(_derive({"strip": "once", "role": "treated"}, *checks)) == []
    given = {"strip": "once", "role": "treated", "against": "west"}
    assert _pairs(_derive(given, *checks)) == [("once", "west")]
    assert _pairs(_derive({"strip": "once", "role": "treated"})) == []


def test_two_strip_fields_pass_as_they_are() -> None:
    two = _derive(*TWO)
    for name in ("response", "strip_yield", "operation", "season"):
        table = TABLES[name]
        frame = rows(name, [{"field": "Gumbo"}])
        stored = generated.conform(frame, table)
        for part in comparisons.parts(two, table):
            assert_frame_equal(comparisons.seen(stored, table, part), frame)


def test_work_that_both_strips_had_is_not_what_is_compared() -> None:
    work = [("once", 2020), ("again", 2020), ("again", 2022), ("check", 2023)]
    operations = rows(
        "operation",
        [{"field": "Gumbo", "strip": s, "day": date(y, 10, 1), "practice": DEEP} for s, y in work],
    )
    (part,) = comparisons.parts(_derive(*THREE), TABLES["response"])
    seen = comparisons.seen(operations, TABLES["operation"], part)

    def of(name: str) -> list[tuple[str, int]]:
        own = seen.filter(pl.col("field") == f"Gumbo ({name})")
        return sorted(own.select("strip", pl.col("day").dt.year()).rows())

    assert of("once against check") == [("check", 2023), ("treated", 2020)]
    assert of("again against check") == [("check", 2023), ("treated", 2020), ("treated", 2022)]
    assert of("again against once") == [("treated", 2022)]
    named = seen.filter(pl.col("field") == "Gumbo (again against once)")["practice"]
    assert named.to_list() == [f"{DEEP} (again against once)"]


@pytest.mark.parametrize("name", ["response", "payback", "strip_yield", "drawdown_season"])
def test_what_a_formula_made_is_stored_under_the_strips_own_names(name) -> None:
    """A formula that returns a row for each side (or pair) of each comparison that it is shown."""
    table = TABLES[name]
    made = compared.as_made(table)
    sides = ["treated", "check"] if compared.has_sides(table) else [None]
    found = []
    for part in comparisons.parts(_derive(*THREE), table):
        of_formula = pl.DataFrame(
            [{"field": f, "strip": s} for f in part["name"] for s in sides]
        ).select(
            *(
                pl.col(c).cast(pl.String) if c in ("field", "strip") else pl.lit(None).alias(c)
                for c in made.names
            )
        )
        found.append(comparisons.stored(of_formula, table, part))
    pairs = set(pl.concat(found).select("field", "strip", "against").rows())
    expected = {("Gumbo", "once", "check"), ("Gumbo", "again", "check"), ("Gumbo", "again", "once")}
    if compared.has_sides(table):
        expected |= {(f, b, a) for f, a, b in expected}
    assert pairs == expected


def test_a_formula_is_given_each_comparison_and_the_tables_keep_them_apart() -> None:
    """Strip yields of three strips: each comparison has its own two, by the real formula."""
    passes = [
        {"strip": s, "pass": str(n), "block": str(n), "yield_kg_ha": y + n, "moisture_pct": 13.5}
        for s, y in (("once", 4300.0), ("again", 4500.0), ("check", 4000.0))
        for n in range(3)
    ]
    place = {"field": "Gumbo", "season": 2024}
    given = {
        "harvest_pass": rows("harvest_pass", passes, **place, method="scale wagon", left_out=False),
        "mapped_pass": generated.empty(TABLES["mapped_pass"]),
        "season": rows(
            "season",
            [{**place, "crop": "wheat", "seeded": date(2024, 5, 1), "harvested": date(2024, 9, 1)}],
        ),
        "crop": rows("crop", [{"crop": "wheat", "market_moisture_pct": 13.5}]),
    }
    out = by_strips(TABLES["strip_yield"], given | {"comparison": _derive(*THREE)})
    whole = out.filter((pl.col("pass") == "all") & (pl.col("method") == "combined"))
    found = {(s, a): y for s, a, y in whole.select("strip", "against", "yield_kg_ha").rows()}
    assert set(found) == {
        *(("once", "check"), ("check", "once"), ("again", "check"), ("check", "again")),
        *(("again", "once"), ("once", "again")),
    }
    assert found["again", "once"] - found["once", "again"] == pytest.approx(200)
    assert found["once", "check"] - found["check", "once"] == pytest.approx(300)


def test_each_comparison_of_an_image_has_the_interval_of_its_own_two_strips() -> None:
    """What ground may do is stored both ways, for each two strips; a formula sees one row of it."""
    of = {"field": "Gumbo", "day": date(2024, 7, 1), "source": "drone", "image": "a.tif"}
    halves = {("again", "check"): 0.02, ("check", "once"): 0.03, ("again", "once"): 0.04}
    ground = [
        {**of, "strip": a, "against": b, "half_width": half, "apart_share": 0.1, "delivery": "d"}
        for pair, half in halves.items()
        for a, b in (pair, pair[::-1])
    ]
    seen = [
        {"strip": s, "vegetation_index": v}
        for s, v in {"again": 0.7, "once": 0.6, "check": 0.5}.items()
    ]
    schema = generated.polars_schema(TABLES["vegetation_ground"])
    given = {
        "vegetation_strip": rows("vegetation_strip", seen, **of, coverage=1.0, partial=False),
        "vegetation_ground": pl.DataFrame(ground, schema=schema),
        "observation_pair": generated.empty(TABLES["observation_pair"]),
        "season": rows(
            "season",
            [{"field": "Gumbo", "season": 2024, "crop": "wheat", "seeded": date(2024, 5, 1)}],
        ),
    }
    out = by_strips(TABLES["vegetation_pair"], given | {"comparison": _derive(*THREE)})
    found = {(r["strip"], r["against"]): r for r in out.to_dicts()}
    assert {pair: round(r["difference"], 6) for pair, r in found.items()} == {
        ("once", "check"): 0.1,
        ("again", "check"): 0.2,
        ("again", "once"): 0.1,
    }
    for pair, row in found.items():
        half = halves.get(pair, halves.get(pair[::-1]))
        assert row["difference_high"] - row["difference"] == pytest.approx(half)
