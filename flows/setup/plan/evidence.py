"""What a plan can find: the response by blocks and years, a season before the work, and the cost."""

from __future__ import annotations

from dataclasses import dataclass

import duckdb

from flows.base.errors import Attention, UserError
from flows.base.plain_text import counted
from flows.farm.folder import FarmFolder
from flows.pages.published_tables import Tables
from flows.pages.reader_units import fixed
from flows.setup.plan.lengths import shown
from flows.setup.plan.plan import Plan
from flows.store import query
from transforms.trial.methods.new_site_year import (
    PUBLISHED,
    PUBLISHED_MIDDLE_PCT,
    PUBLISHED_PCT,
    Scatter,
    scatter_of,
)

YEARS = (1, 2, 3, 4, 5)
BLOCKS = (2, 3, 4, 6, 8, 10)
LEAST_SITE_YEARS = (
    3  # of the farm's own before its scatter counts, as for what next (more_evidence)
)
ONE_BLOCK = (
    "One block does not show how much blocks differ, and its two sides may differ by their soil alone. Plan "
    "two blocks or more."
)
YIELD = {"metric": "t/ha", "us": "bu/ac", "canada": "bu/ac"}


@dataclass(frozen=True, slots=True)
class Asked:
    """What is expected, in the reader's units: yield and response of the crop, cost of working an area."""

    crop_yield: float | None = None
    response: float | None = None
    cost: float | None = None

    def checked(self) -> Asked:
        """Return itself; UserError if a number is not above 0 or the response stands without a yield."""
        for option, value in (
            ("--yield", self.crop_yield),
            ("--response", self.response),
            ("--cost", self.cost),
        ):
            if value is not None and not value > 0:
                raise UserError(f"{option} {value:g}: expected a number above 0.")
        if self.response is not None and self.crop_yield is None:
            raise UserError(
                "--response needs --yield: the yield that you expect, in the same unit. What strips "
                "can show depends on the response in percent of the yield."
            )
        return self

    @property
    def response_pct(self) -> float | None:
        """The response in percent of the yield."""
        if self.response is None or self.crop_yield is None:
            return None
        return 100 * self.response / self.crop_yield


def own_scatter(folder: FarmFolder) -> Scatter:
    """Return the scatter of the farm's own site-years, or that of published trials while it has few."""
    try:
        with query.open_published(folder) as con:
            found = scatter_of(Tables(con)("response"))
    except (UserError, Attention, duckdb.Error):
        return PUBLISHED  # nothing there yet, or damaged: status says so
    return found if found is not None and found.site_years >= LEAST_SITE_YEARS else PUBLISHED


def table(plan: Plan, scatter: Scatter) -> list[tuple[int, list[float | None]]]:
    """Return, by number of blocks, the response found four times of five after each of ``YEARS`` [percent]."""
    return [
        (blocks, [scatter.findable_pct(blocks, years, by_lot=True) for years in YEARS])
        for blocks in sorted({*BLOCKS, max(2, plan.layout.design.blocks)})
    ]


def heads() -> tuple[str, ...]:
    """Return the headings of that table as shown."""
    return ("Blocks", *(counted(years, "year") for years in YEARS))


def rows(plan: Plan, scatter: Scatter, asked: Asked) -> list[tuple[str, ...]]:
    """Return that table as shown: in percent, and in the reader's unit if the yield is given."""

    def cell(value: float | None) -> str:
        if value is None:
            return "no verdict"
        if asked.crop_yield is None:
            return f"{fixed(value, 1)}%"
        return f"{fixed(value, 1)}% ({fixed(value * asked.crop_yield / 100, 1)})"

    planned = plan.layout.design.blocks
    return [
        (f"{blocks} (this plan)" if blocks == planned else str(blocks), *map(cell, found))
        for blocks, found in table(plan, scatter)
    ]


def caption(plan: Plan, asked: Asked) -> str:
    """Return what the table shows."""
    unit = f" (and in {YIELD[plan.show.system]})" if asked.crop_yield is not None else ""
    return f"Response found four times out of five, in % of the check yield{unit}"


def sentences(plan: Plan, scatter: Scatter, asked: Asked) -> list[str]:
    """Return what the plan can find and costs, for the sheet and the command line."""
    said = [_source(scatter)]
    if asked.response_pct is not None:
        said.append(_needed(plan, scatter, asked))
    if plan.layout.design.blocks == 1:
        said.append(ONE_BLOCK)
    said.append(_before(plan, scatter))
    said += _cost(plan, asked)
    return said


def _source(scatter: Scatter) -> str:
    if scatter.site_years:
        return (
            f"On this farm the difference of one block scatters by {fixed(scatter.block**0.5, 1)}% of the "
            f"yield ({counted(scatter.site_years, 'site-year')})."
        )
    low, high = PUBLISHED_MIDDLE_PCT
    return (
        f"The farm has fewer than {LEAST_SITE_YEARS} site-years yet, so scatter is that of published "
        f"uniformity trials (open collection agridat): the difference of one block scatters by "
        f"{fixed(PUBLISHED_PCT, 1)}% of the yield in the middle trial, {fixed(low, 1)} to {fixed(high, 1)}% in "
        "the middle half. Their plots are smaller than combine passes; a farm's own scatter is often smaller."
    )


def _needed(plan: Plan, scatter: Scatter, asked: Asked) -> str:
    """Return which of the table's blocks and years find the response that is asked for."""
    wanted = asked.response_pct or 0.0
    enough = [
        (blocks, years)
        for blocks, found in table(plan, scatter)
        for years, value in zip(YEARS, found, strict=True)
        if value is not None and value <= wanted
    ]
    what = f"A response of {asked.response:g} {YIELD[plan.show.system]} ({fixed(wanted, 1)}%)"
    if not enough:
        return (
            f"{what} would not be found four times out of five with up to {BLOCKS[-1]} blocks in "
            f"{YEARS[-1]} years: add fields."
        )
    first: dict[int, int] = {}
    for blocks, years in enough:
        first.setdefault(years, blocks)
    ways = [
        f"{counted(blocks, 'block')} in {counted(years, 'year')}"
        for years, blocks in sorted(first.items())
        if blocks < min((b for y, b in first.items() if y < years), default=10**6)
    ]
    return f"{what} is found four times out of five with {', or '.join(ways)}."


def _before(plan: Plan, scatter: Scatter) -> str:
    """Return what a season harvested before the work would add."""
    blocks = max(2, plan.layout.design.blocks)
    by_lot = scatter.half_width_pct(blocks, by_lot=True)
    without, before = (scatter.half_width_pct(blocks, before=season) for season in (False, True))
    if by_lot is None or without is None or before is None:
        return "A first season with so few blocks has no verdict; a season before the work does not change that."
    return (
        f"The first season's 95% interval with {blocks} blocks: response ± {fixed(by_lot, 1)}%. A season "
        "harvested before the work would not narrow it, because sides are drawn in each block (without "
        f"that: ± {fixed(without, 1)}%, with a season before ± {fixed(before, 1)}%)."
    )


def _cost(plan: Plan, asked: Asked) -> list[str]:
    """Return what working the treated strips costs."""
    strips = plan.layout.strips
    worked_ha = sum(one.worked * one.width_m * one.length_m for one in strips) / 10_000
    area = shown(worked_ha, "hectare", plan.show, 1)
    times = " (twice counts twice)" if any(one.worked > 1 for one in strips) else ""
    if asked.cost is None:
        return [f"Area to work: {area}{times}."]
    slope, _, label, _ = plan.show.unit_of("hectare")
    total = asked.cost * worked_ha * slope
    currency = plan.show.currency
    return [
        f"Area to work: {area}{times}. At {asked.cost:g} {currency}/{label} that is {total:,.0f} {currency}, "
        "and the work of weighing each strip apart."
    ]
