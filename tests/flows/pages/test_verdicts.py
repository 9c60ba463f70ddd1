"""No page shows an interval beside a verdict that contradicts it without a sentence that says why."""

from __future__ import annotations

import itertools
import re

import polars as pl
import pytest

from flows.pages import render
from flows.pages.cells import Line
from flows.pages.report import trial
from flows.pages.sections import harvest
from tests.flows.pages import farm
from tests.flows.pages.page_text import digest, report, spoken

INTERVAL = re.compile(r"95% interval ([+-]?[\d.]+)[^)]*? to ([+-]?[\d.]+)")
SURE = ("That is a gain", "That is a loss", "It has paid", "It has not paid", "verdict: gain")
SURE += ("verdict: loss",)
UNSURE = ("not shown", "Cannot tell", "probably", "not tested", "no test", "before the work")
REASONS = ("what differs is the ground", "so this is no test", "too few passes have shown")
REASONS += ("Part of the cost", "of one side", "less sure than its own interval", "can be chance")


def contradictions(lines: list[str]) -> list[str]:
    """Sentences whose interval and verdict are at odds, with no reason in them."""
    return [text for text in lines if _at_odds(text) and not any(r in text for r in REASONS)]


def _at_odds(text: str) -> bool:
    found = INTERVAL.search(text)
    if not found:
        return False
    low, high = map(float, found.groups())
    apart = low > 0 or high < 0
    return (any(s in text for s in SURE) and not apart) or (
        not any(s in text for s in SURE) and any(u in text for u in UNSURE) and apart
    )


def _lines(tables: farm.MemoryTables) -> list[str]:
    show = tables.show()
    pages = (digest(tables, farm.WEEK_OF_HARVEST)[0], report(tables)[0])
    return [
        render.line_text(block, show)
        for page in pages
        for block in page.blocks()
        if isinstance(block, Line)
    ]


def test_the_check_finds_a_contradiction() -> None:
    bad = "Response +2 (95% interval +1 to +3). A difference is not shown."
    assert contradictions([bad, bad + " One such interval can be chance."]) == [bad]
    assert contradictions(["Mean +2 (95% interval -1 to +3); verdict: gain."])


def test_every_line_of_digest_and_report(tables) -> None:
    lines = _lines(tables)
    assert any(INTERVAL.search(text) for text in lines)
    assert contradictions(lines) == []


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
    assert _at_odds(text)
    assert contradictions([text]) == []


def test_groups_that_exclude_zero_and_are_not_shown_are_named(tables) -> None:
    group = {"practice": "deep tillage", "grouping": "crop", "member": "canola"}
    rows = [
        group | {"verdict": "not shown", "wide_low_pct": 0.5, "wide_high_pct": 6.0},
        group
        | {"member": "pea", "verdict": "not shown", "wide_low_pct": -1.0, "wide_high_pct": 6.0},
        group | {"member": "flax", "verdict": "too few", "wide_low_pct": None},
    ]
    said = spoken(tables, trial._odd_groups(rows))
    assert "crop canola" in said
    assert "pea" not in said
    assert trial._odd_groups(rows[1:]) == []
