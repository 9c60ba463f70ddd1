"""No page shows an interval beside a verdict that contradicts it without a sentence that says why."""

from __future__ import annotations

import itertools
from datetime import date

import polars as pl
import pytest

from flows.pages import render
from flows.pages.cells import Block, Grid, Line, Picture
from flows.pages.report import field, first_page, trial
from flows.pages.sections import evidence, harvest, observations
from tests.flows.pages import farm
from tests.flows.pages.at_odds import (
    ENDS_OF_GRIDS,
    INTERVAL,
    contradictions,
    grid_contradictions,
    intervals,
    looks_at_odds,
)
from tests.flows.pages.page_text import digest, flat, report, spoken


def _blocks(tables: farm.MemoryTables) -> list[Block]:
    pages = (digest(tables, farm.WEEK_OF_HARVEST)[0], report(tables)[0], report(tables, None)[0])
    return [block for page in pages for block in page.blocks()]


def _lines(tables: farm.MemoryTables) -> list[str]:
    """Every sentence of the pages, what pictures say included."""
    show = tables.show()
    blocks = _blocks(tables)
    said = [show.phrase(block.says) for block in blocks if isinstance(block, Picture)]
    return [flat(render.line_text(b, show)) for b in blocks if isinstance(b, Line)] + said


def _grids(tables: farm.MemoryTables) -> list[str]:
    said = _lines(tables)
    grids = [block for block in _blocks(tables) if isinstance(block, Grid)]
    return [found for grid in grids for found in grid_contradictions(grid, said)]


def test_the_check_finds_a_contradiction() -> None:
    bad = "Response +2 (95% interval +1 to +3). A difference is not shown."
    assert contradictions([bad, bad + " One such interval can be chance."]) == [bad]
    assert contradictions(["Mean +2 (95% interval -1 to +3); verdict: gain."])
    leads = "Lead: at 20 cm +1 (95% interval +1 to +3); at 50 cm +7 (95% interval +4 to +9). "
    assert contradictions([leads + "It is shown at 50 cm, not at the others."])
    assert contradictions([leads + "It is shown at 20 cm and 50 cm, not at the others."]) == []
    assert contradictions([leads + "A lead is not shown at any depth."])


def test_every_line_of_digest_and_report(tables) -> None:
    lines = _lines(tables)
    assert any(INTERVAL.search(text) for text in lines)
    assert contradictions(lines) == []
    assert _grids(tables) == []


ENDS = [(-30.0, 90.0), (10.0, 90.0), (-90.0, -10.0)]
CHANCES = [(0.99, "paid"), (0.9, "probably paid"), (0.5, "cannot tell yet")]
CHANCES += [(0.1, "probably not"), (0.01, "not paid")]


@pytest.mark.parametrize(("ends", "chance"), list(itertools.product(ENDS, CHANCES)))
def test_money_whatever_its_interval_and_chance(tables, ends, chance) -> None:
    (low, high), (sure, verdict) = ends, chance
    given = tables.changed(
        lambda f: f.with_columns(
            cumulative_net_per_ha=pl.lit((low + high) / 2),
            cumulative_low_per_ha=pl.lit(low),
            cumulative_high_per_ha=pl.lit(high),
            paid_chance=pl.lit(sure),
            verdict=pl.lit(verdict),
            cost_partial=pl.lit(False),
        ),
        "payback",
    )
    text = spoken(given, harvest.money(given, "Home", 2024))
    assert "95% interval" in text
    assert contradictions([text]) == []


REPEAT = {
    "earlier_day": date(2019, 9, 20),
    "earlier_kg_ha": 90.0,
    "earlier_low_kg_ha": 10.0,
    "earlier_high_kg_ha": 170.0,
    "marginal_net_per_ha": 20.0,
    "cost_per_ha": 80.0,
    "cost_partial": False,
}


@pytest.mark.parametrize(
    ("ends", "chance", "adds", "said"),
    [
        ((-90.0, -70.0), (0.01, "not paid"), "not shown", "its cost aside, is not shown"),
        ((-70.0, -10.0), (0.01, "not paid"), "adds", "Before its cost the repeat added"),
        ((-2.0, 60.0), (0.96, "paid"), "adds", "the probability is of one side"),
        ((-190.0, -100.0), (0.01, "not paid"), "takes away", "less than the earlier work alone"),
    ],
)
def test_a_repeat_says_what_it_added_beyond_the_work_before(
    tables, ends, chance, adds, said
) -> None:
    (low, high), (sure, verdict) = ends, chance
    values = REPEAT | {"cumulative_net_per_ha": (low + high) / 2, "paid_chance": sure}
    values |= {"cumulative_low_per_ha": low, "cumulative_high_per_ha": high}
    values |= {"verdict": verdict, "repeat_adds": adds}
    given = tables.changed(
        lambda f: f.with_columns(pl.lit(v).cast(f.schema[k]).alias(k) for k, v in values.items()),
        "payback",
    )
    text = spoken(given, harvest.money(given, "Home", 2024))
    assert "was a repeat and cost" in text
    assert "the work of 2019-09-20 would still have given" in text
    assert said in text
    assert contradictions([text]) == []


@pytest.mark.parametrize(
    ("table", "verdict", "low", "high"),
    [
        ("payback", "paid", -10.0, 90.0),
        ("payback", "not paid", -90.0, 10.0),
        ("payback", "probably paid", 10.0, 90.0),
        ("response", "cannot tell yet", 10.0, 90.0),
        ("response", "not tested", 10.0, 90.0),
        ("response_pooled", "not shown", 1.0, 9.0),
    ],
)
def test_page_one_and_the_seasons_say_why_a_row_looks_at_odds(
    tables, table, verdict, low, high
) -> None:
    _, low_name, high_name = ENDS_OF_GRIDS[table]
    values = {"verdict": verdict, low_name: low, high_name: high}
    if table == "response_pooled":
        values |= {"grouping": "field", "member": "Home", "response_pct": 5.0}
    if verdict == "not tested":
        values |= {"operation_day": None, "check_worked": False}
    given = tables.changed(
        lambda f: f.with_columns(pl.lit(v).cast(f.schema[k]).alias(k) for k, v in values.items()),
        table,
    )
    seasons = given("season").to_dicts()
    later = seasons[-1] | {"season": 2025}
    sections = [first_page.section(given, given("season")).blocks]
    sections.append(field._seasons(given, [*seasons, later]) if table != "response_pooled" else ())
    for blocks in sections:
        lines = [flat(render.line_text(b, given.show())) for b in blocks if isinstance(b, Line)]
        grids = [block for block in blocks if isinstance(block, Grid)]
        assert not blocks or any(grid_contradictions(grid, []) for grid in grids)
        assert [found for grid in grids for found in grid_contradictions(grid, lines)] == []


def test_a_partial_cost_says_why_it_cannot_have_paid(tables) -> None:
    given = tables.changed(
        lambda f: f.with_columns(verdict=pl.lit("cannot tell yet"), cost_partial=pl.lit(True)),
        "payback",
    )
    assert "Part of the cost is not known" in spoken(given, harvest.money(given, "Home", 2024))


@pytest.mark.parametrize(
    "change",
    [
        {"verdict": "not tested", "operation_day": None, "check_worked": False},
        {"verdict": "not tested", "check_worked": True},
        {"verdict": "cannot tell yet"},
    ],
)
def test_a_response_that_is_no_test_says_why(tables, change) -> None:
    values = {"response_low_kg_ha": 100.0, "response_high_kg_ha": 300.0} | change
    given = tables.changed(
        lambda f: f.with_columns(pl.lit(v).cast(f.schema[k]).alias(k) for k, v in values.items()),
        "response",
    )
    text = spoken(given, harvest.response(given, "Home", 2024))
    assert looks_at_odds(text)
    assert contradictions([text]) == []


def test_groups_that_exclude_zero_and_are_not_shown_are_named(tables) -> None:
    group = {"practice": "deep tillage", "grouping": "crop", "member": "canola"}
    rows = [
        group | {"verdict": "not shown", "verdict_low_pct": 0.5, "verdict_high_pct": 6.0},
        group
        | {
            "member": "pea",
            "verdict": "not shown",
            "verdict_low_pct": -1.0,
            "verdict_high_pct": 6.0,
        },
        group | {"member": "flax", "verdict": "too few", "verdict_low_pct": None},
    ]
    said = spoken(tables, trial._odd_groups(rows))
    assert "crop canola" in said
    assert "pea" not in said
    assert trial._odd_groups(rows[1:]) == []


SPANS = {"around zero": (-2.0, 6.0), "above": (1.0, 6.0), "below": (-6.0, -1.0)}
LEADS = [("around zero", "not shown"), ("above", "not shown"), ("below", "not shown")]
LEADS += [("above", "more"), ("below", "less")]


def _pooled(measure: str, unit: str, span: str, verdict: str, **more: object) -> dict[str, object]:
    low, high = SPANS[span]
    return {
        "practice": "deep tillage",
        "measure": measure,
        "layer": "all",
        "verdict": verdict,
        f"gain_{unit}": (low + high) / 2,
        f"gain_low_{unit}": low,
        f"gain_high_{unit}": high,
        "site_years": 12,
        "fields": 4,
        "compared": 12,
        "ahead": 11,
        "bounded": 0,
        "coverage": 1.0,
        "partial": False,
        **more,
    }


@pytest.mark.parametrize(("one", "other"), list(itertools.product(LEADS, LEADS)))
def test_leads_of_two_depths_whatever_their_intervals_and_verdicts(tables, one, other) -> None:
    rows = [
        _pooled("root lead", "d", *found, layer=str(depth), depth_cm=float(depth))
        for depth, found in ((20, one), (50, other))
    ]
    given = tables.with_rows("evidence_pooled", *rows)
    text = spoken(given, evidence.lines(given, "deep tillage"))
    assert len(intervals(text)) == 2
    odd = [row for row in (one, other) if row[0] != "around zero" and row[1] == "not shown"]
    assert looks_at_odds(text) == bool(odd)
    assert contradictions([text]) == []
    assert text.count("excludes zero") == bool(odd)


@pytest.mark.parametrize("found", LEADS)
def test_water_over_site_years_whatever_its_interval_and_verdict(tables, found) -> None:
    given = tables.with_rows("evidence_pooled", _pooled("winter recharge", "mm", *found))
    text = spoken(given, evidence.lines(given, "deep tillage"))
    assert len(intervals(text)) == 1
    assert contradictions([text]) == []


@pytest.mark.parametrize("found", LEADS)
def test_an_observation_whatever_its_interval_and_verdict(tables, found) -> None:
    row = _pooled("any", "d", *found)
    for end in ("", "_low", "_high"):
        row[f"difference{end}"] = row[f"gain{end}_d"]
    wanted = (
        "practice",
        "layer",
        "verdict",
        "site_years",
        "fields",
        "ahead",
        "coverage",
        "partial",
    )
    row = {k: v for k, v in row.items() if k in wanted or k.startswith("difference")}
    given = tables.with_rows("observation_pooled", row | {"what": "infiltration", "unit": "mm/h"})
    text = spoken(given, observations.over_site_years(given, "deep tillage"))
    assert len(intervals(text)) == 1
    assert contradictions([text]) == []


def test_a_table_of_groups_is_read_too(tables) -> None:
    group = {
        "practice": "deep tillage",
        "grouping": "crop",
        "member": "canola",
        "verdict": "not shown",
        "verdict_low_pct": 0.5,
        "verdict_high_pct": 6.0,
        "response_pct": 3.0,
    }
    given = tables.with_rows("response_pooled", group)
    grids = [block for block in _blocks(given) if isinstance(block, Grid)]
    assert [name for grid in grids for name in grid_contradictions(grid, [])]
    assert _grids(given) == []
