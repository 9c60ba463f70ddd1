"""What the sheets of a field book say against one another."""

import re
from collections import defaultdict
from itertools import pairwise
from statistics import median

import polars as pl

from flows.books.fieldbook.problem import Problem, nearest_or_all, shown
from flows.books.fieldbook.reader import Row
from flows.books.fieldbook.sheet_checks import Rows, Seasons
from flows.books.fieldbook.sheet_problem import problem
from schemas.fieldbook.words import HIGHEST_YIELD_KG_HA, HIGHEST_YIELD_OTHERWISE_KG_HA, YIELD_SLIP
from schemas.shared_columns import SIDES
from transforms.trial.methods.market_moisture import gross_yield


def check_across(done: Rows, seasons: Seasons) -> list[Problem]:
    """Return the faults that only show between sheets; passes that cannot be are rejected here."""
    good = {name: [r for r in rows if not r.rejected] for name, rows in done.items()}
    return [
        *_both_strips(good["fields"], done["strips"]),
        *_compared(good["strips"]),
        *_season_known(good["passes"], seasons),
        *_season_known(good["costs"], seasons),
        *_unlikely_yields(good["passes"]),
        *_both_sides([r for r in good["passes"] if not r.rejected], done["passes"]),
        *_overlaps(good["seasons"]),
        *_prices_in_order([*good["prices"], *good["plans"]]),
    ]


def _both_strips(fields: list[Row], strips: list[Row]) -> list[Problem]:
    have: dict[str, set[str]] = defaultdict(set)
    for strip in strips:
        have[strip.values.get("field", "")].add(strip.values.get("role", ""))
    problems = []
    for row in fields:
        name = row.values["field"]
        missing = [s for s in SIDES if s not in have[name]]
        if missing:
            expected = f"a row for it on the sheet strips ({' and '.join(missing)})"
            cause = f"the field has no {' and no '.join(missing)} strip"
            problems.append(problem(row, "field", cause, name, expected, reject=False))
    return problems


def _compared(strips: list[Row]) -> list[Problem]:
    """Check the strips that each is compared with; without a given one it takes a single check."""
    own: dict[str, list[Row]] = defaultdict(list)
    for row in strips:
        own[row.values["field"]].append(row)
    return [fault for rows in own.values() for row in rows for fault in _against(row, rows)]


def _against(row: Row, rows: list[Row]) -> list[Problem]:
    values = row.values
    others = {r.values["strip"].lower(): r.values["strip"] for r in rows if r is not row}
    checks = [r.values["strip"] for r in rows if r.values["role"] == "check"]
    written = values.pop("against", "")
    named = [" ".join(name.split()) for name in re.split("[;,]", written) if name.strip()]
    unknown = [name for name in named if name.lower() not in others]
    if unknown:
        cause = "the strip to compare with is not known"
        expected = nearest_or_all(unknown[0], list(others.values()), "another strip of the field:")
        return [_left_out(row, cause, unknown[0], expected)]
    if named and values["role"] == "check":
        cause = "a check is compared with nothing"
        return [_left_out(row, cause, written, "an empty cell, or the role treated")]
    if named:
        values["against"] = "; ".join(dict.fromkeys(others[name.lower()] for name in named))
    elif values["role"] == "treated" and len(checks) > 1:
        cause = "the field has several checks: this strip is compared with none"
        expected = f"in the column against, one of {', '.join(checks)}"
        return [problem(row, "strip", cause, values["strip"], expected, reject=False)]
    return []


def _left_out(row: Row, cause: str, found: str, expected: str) -> Problem:
    heading = row.headings.get("against", "against")
    return Problem(row.sheet, row.number, heading, cause, shown(found), expected, "value")


def _season_known(rows: list[Row], seasons: Seasons) -> list[Problem]:
    """Return one line a field and season that the sheet seasons does not have."""
    unknown: dict[tuple[str, int], Row] = {}
    for row in rows:
        key = (row.values["field"], row.values["season"])
        if key not in seasons:
            unknown.setdefault(key, row)
    cause, expected = "the season is not on the sheet seasons", "a row for it there, with its crop"
    return [
        problem(row, "season", cause, f"{name} {year}", expected, reject=False)
        for (name, year), row in unknown.items()
    ]


def _unlikely_yields(passes: list[Row]) -> list[Problem]:
    """Reject passes whose yield no crop has, or that stand far from the others of their season."""
    needs = ("mass_kg", "length_m", "width_m", "yield_kg_ha")
    frame = pl.DataFrame(
        [[row.values.get(n) for n in needs] for row in passes],
        schema=dict.fromkeys(needs, pl.Float64),
        orient="row",
    )
    gross = frame.select(gross_yield()).to_series()
    yields = {id(r): y for r, y in zip(passes, gross, strict=True) if y is not None}
    problems = []
    by_season: dict[tuple[str, int], list[Row]] = defaultdict(list)
    for row in passes:
        if id(row) not in yields:
            continue
        crop = row.values.get("crop") or ""
        highest = HIGHEST_YIELD_KG_HA.get(crop, HIGHEST_YIELD_OTHERWISE_KG_HA)
        if yields[id(row)] > highest:
            of = crop or "any crop"
            problems.append(
                _unlikely_yield(row, yields[id(row)], f"no more than {highest:,.0f} kg/ha of {of}")
            )
        else:
            by_season[row.values["field"], row.values["season"]].append(row)
    for rows in by_season.values():
        if len(rows) < 3:
            continue
        middle = median(yields[id(r)] for r in rows)
        for row in rows:
            found = yields[id(row)]
            if middle > 0 and not middle / YIELD_SLIP <= found <= middle * YIELD_SLIP:
                problems.append(
                    _unlikely_yield(
                        row, found, f"near the middle of the season's passes, {middle:,.0f} kg/ha"
                    )
                )
    return problems


def _unlikely_yield(row: Row, found: float, expected: str) -> Problem:
    column = "yield_kg_ha" if row.values.get("yield_kg_ha") is not None else "mass_kg"
    cause = "the yield looks like a slip of unit or decimal"
    return problem(row, column, cause, f"{found:,.0f} kg/ha", expected)


def _both_sides(passes: list[Row], harvested: list[Row]) -> list[Problem]:
    """Return a line a season with only one strip harvested; rejected rows count as harvested."""
    sides: dict[tuple[str, int], set[str]] = defaultdict(set)
    for row in harvested:
        if {"field", "season", "strip"} <= row.values.keys():
            sides[row.values["field"], row.values["season"]].add(row.values["strip"])
    first: dict[tuple[str, int], Row] = {}
    for row in passes:
        first.setdefault((row.values["field"], row.values["season"]), row)
    problems = []
    expected = "passes of both strips; without them there is no response"
    for (name, year), row in first.items():
        if len(sides[name, year]) == 1:
            (side,) = sides[name, year]
            found = f"{name} {year}: {side} passes only"
            cause = "only one side was harvested"
            problems.append(problem(row, "strip", cause, found, expected, reject=False))
    return problems


def _overlaps(seasons: list[Row]) -> list[Problem]:
    problems = []
    by_field: dict[str, list[Row]] = defaultdict(list)
    for row in seasons:
        by_field[row.values["field"]].append(row)
    for rows in by_field.values():
        rows.sort(key=lambda r: r.values["seeded"])
        for before, after in pairwise(rows):
            end = before.values.get("harvested")
            if end and after.values["seeded"] < end:
                found = f"seeded {after.values['seeded']}, the crop before harvested {end}"
                expected = "one crop after the other"
                cause = "the season begins before the last one ends"
                problems.append(problem(after, "seeded", cause, found, expected, reject=False))
    return problems


def _prices_in_order(prices: list[Row]) -> list[Problem]:
    problems = []
    for row in prices:
        price = row.values.get("price_per_kg")  # a planned crop may have none
        if price is None:
            continue
        low, high = row.values.get("price_low_per_kg"), row.values.get("price_high_per_kg")
        if (low is not None and low > price) or (high is not None and high < price):
            row.values.pop("price_low_per_kg", None)
            row.values.pop("price_high_per_kg", None)
            heading = row.headings.get("price_low_per_kg", "low price")
            cause = "low and high do not enclose the price"
            expected = "low, price, high in this order"
            problems.append(Problem(row.sheet, row.number, heading, cause, "", expected, "value"))
    return problems
