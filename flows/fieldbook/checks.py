"""What one row cannot know: bushels, defaults, rows said twice, and rows that contradict others."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable
from datetime import date
from itertools import pairwise
from statistics import median
from typing import Any

import polars as pl

from flows.fieldbook import units
from flows.fieldbook.problem import Problem, shown
from flows.fieldbook.rows import Known, Row
from schemas.catalogue import TABLES
from schemas.fieldbook import Sheet
from schemas.fieldbook_words import (
    HIGHEST_YIELD_KG_HA,
    HIGHEST_YIELD_OTHERWISE_KG_HA,
    YIELD_SLIP,
)
from transforms.strip_yield import gross_yield

Rows = dict[str, list[Row]]
Seasons = dict[tuple[str, int], str | None]


def problem(
    row: Row, column: str, cause: str, found: object, expected: str, *, refuse: bool = True
) -> Problem:
    """A fault of a row at the heading of one of its columns."""
    row.refused |= refuse
    heading = row.headings.get(column, column)
    text = "" if found == "" else shown(found)
    return Problem(
        row.sheet, row.number, heading, cause, text, expected, "row" if refuse else "none"
    )


def complete(sheet: Sheet, rows: list[Row], known: Known, done: Rows) -> list[Problem]:
    """Fills what an empty cell means, converts bushels, and refuses what cannot stand.

    ``done`` holds the sheets before this one. Only rows that are not yet refused are looked at.
    """
    problems: list[Problem] = []
    step = _SHEETS.get(sheet.name)
    for row in rows:
        if step and not row.refused:
            problems += step(row, known, done)
        if not row.refused:
            problems += _bushels(row, sheet, known)
    return problems


def single(table: str, rows: list[Row]) -> list[Problem]:
    """Refuses every row whose key stands further up already."""
    first: dict[tuple[Any, ...], Row] = {}
    problems = []
    for row in rows:
        if row.refused:
            continue
        key = tuple(
            v.lower() if isinstance(v := row.values.get(k), str) else v for k in TABLES[table].key
        )
        before = first.setdefault(key, row)
        if before is not row:
            same = ", ".join(f"{k} {v}" for k, v in zip(TABLES[table].key, key, strict=True))
            place = f"row {before.number}" + (
                f" of {before.sheet}" if before.sheet != row.sheet else ""
            )
            problems.append(
                problem(row, "", f"the same row stands already in {place}", same, "each once")
            )
    return problems


def _fields(row: Row, known: Known, _: Rows) -> list[Problem]:
    name = row.values["field"]
    if name.lower() == "all":
        return [problem(row, "field", "the name 'all' means the whole farm", name, "another name")]
    known.fields.setdefault(name.lower(), name)
    return []


def _seasons(row: Row, _: Known, __: Rows) -> list[Problem]:
    values = row.values
    seeded: date = values["seeded"]
    harvested: date | None = values.get("harvested")
    if harvested and harvested < seeded:
        return [
            problem(
                row, "harvested", "the season ends before it begins",
                f"seeded {seeded}, harvested {harvested}", "a harvest after the seeding",
            )
        ]  # fmt: skip
    if harvested:
        if values.setdefault("season", harvested.year) != harvested.year:
            return [
                problem(
                    row, "season", "the season is not the year of the harvest",
                    f"{values['season']}, harvested {harvested}", str(harvested.year),
                )
            ]  # fmt: skip
    elif "season" not in values:
        return [
            problem(row, "season", "a standing crop has no season", "", "the year of its harvest")
        ]
    emerged: date | None = values.get("emerged")
    if emerged and (emerged < seeded or (harvested and emerged > harvested)):
        del values["emerged"]
        heading = row.headings["emerged"]
        expected = "a day between seeding and harvest"
        cause = "emergence is outside the season"
        return [Problem(row.sheet, row.number, heading, cause, str(emerged), expected, "value")]
    return []


def _operations(row: Row, _: Known, done: Rows) -> list[Problem]:
    values = row.values
    values.setdefault("strip", "treated")
    if "practice" not in values:
        values["practice"] = next(
            (
                r.values["practice"]
                for r in done["fields"]
                if r.values.get("field") == values["field"]
            ),
            None,
        )
    if "fuel_l" in values and "fuel_l_ha" not in values and values.get("area_ha"):
        values["fuel_l_ha"] = values["fuel_l"] / values["area_ha"]
    return []


def _passes(row: Row, _: Known, __: Rows) -> list[Problem]:
    values = row.values
    values.setdefault("method", "scale wagon")
    values.setdefault("block", values["pass"])
    values.setdefault("left_out", False)
    has_yield = "yield_kg_ha" in values or "yield_kg_ha" in row.bushels
    whole = all(k in values or k in row.bushels for k in ("mass_kg", "length_m", "width_m"))
    if not (has_yield or whole or values["left_out"]):
        missing = ", ".join(
            k.rsplit("_", 1)[0]
            for k in ("mass_kg", "length_m", "width_m")
            if k not in values and k not in row.bushels
        )
        return [
            problem(
                row, "", "the pass has no yield", f"no {missing}",
                "mass, length and width, or the yield",
            )
        ]  # fmt: skip
    return []


def _prices(row: Row, known: Known, _: Rows) -> list[Problem]:
    values = row.values
    values.setdefault("field", "all")
    own = values.pop("unit", None)
    number, unit = row.bushels.get("price_per_kg", (values.get("price_per_kg"), "in the heading"))
    if not unit:
        if own is None:
            return [
                problem(
                    row,
                    "price_per_kg",
                    "the price has no unit",
                    number,
                    "a unit such as $/t or $/bu",
                )
            ]
        strange = units.currency_codes(own) - {(known.currency or "").upper()}
        if known.currency and strange:
            return [problem(row, "unit", "the money is not the farm's", own, known.currency)]
        # 'bu' or 't' alone: the column is about money, so what stands there is what it is per
        tries = (units.expression(own), units.expression(f"per {own}"))
        unit = next((u for u in tries if u and units.factor(u, "currency/kg", 1.0)), "")
        if not unit:
            return [
                problem(row, "unit", "the unit is not known", own, "a unit such as $/t or $/bu")
            ]
    for column, (value, expr) in list(row.bushels.items()):
        row.bushels[column] = (value, expr or unit)
    if unit == "in the heading" and row.bushels:  # only low or high price wait for a unit
        row.bushels.clear()
        heading = row.headings["price_low_per_kg"]
        expected = "the unit in its heading, as the price has it"
        return [
            Problem(row.sheet, row.number, heading, "the price has no unit", "", expected, "value")
        ]
    written = own or row.headings.get("price_per_kg", "")
    values["price_as_written"] = f"{number:g} {written}"
    return []


def _costs(row: Row, _: Known, __: Rows) -> list[Problem]:
    row.values.setdefault("kind", "other")
    return []


def _notes(row: Row, _: Known, __: Rows) -> list[Problem]:
    row.values.setdefault("field", "all")
    return []


_SHEETS: dict[str, Callable[[Row, Known, Rows], list[Problem]]] = {
    "fields": _fields,
    "seasons": _seasons,
    "operations": _operations,
    "passes": _passes,
    "prices": _prices,
    "costs": _costs,
    "notes": _notes,
}


def _bushels(row: Row, sheet: Sheet, known: Known) -> list[Problem]:
    """Converts what waits for the crop's bushel weight (passes find their crop by their season)."""
    for column, (number, unit) in row.bushels.items():
        crop = row.values.get("crop")
        bushel_kg = known.crops.get(crop) if crop else None
        by = units.factor(unit, TABLES[sheet.table][column].unit, bushel_kg)
        if by is None:
            found = f"no bushel weight of {crop}" if crop else "no crop for this field and season"
            expected = "the crop on the sheet seasons and its bushel_kg in the crop list"
            return [problem(row, column, "the bushels cannot be turned into mass", found, expected)]
        row.values[column] = number * by
    row.bushels.clear()
    return []


def give_crop(rows: list[Row], seasons: Seasons) -> None:
    """Gives each pass the crop of its season, for its bushels."""
    for row in rows:
        key = (row.values.get("field", ""), row.values.get("season", 0))
        if seasons.get(key):
            row.values["crop"] = seasons[key]


def seasons_said(rows: list[Row]) -> Seasons:
    """The crop of each field and season on the sheet, refused rows too: a season that is there but wrong is not a second fault where it is named."""
    return {
        (r.values["field"], year): r.values.get("crop")
        for r in rows
        if "field" in r.values
        for year in (r.values.get("season"), getattr(r.values.get("harvested"), "year", None))
        if year
    }


def across(done: Rows, seasons: Seasons) -> list[Problem]:
    """What the sheets say against one another."""
    good = {name: [r for r in rows if not r.refused] for name, rows in done.items()}
    return [
        *_both_strips(good["fields"], done["strips"]),
        *_season_known(good["passes"], seasons),
        *_season_known(good["costs"], seasons),
        *_slips(good["passes"]),
        *_both_sides([r for r in good["passes"] if not r.refused], done["passes"]),
        *_overlaps(good["seasons"]),
        *_prices_in_order(good["prices"]),
    ]


def _both_strips(fields: list[Row], strips: list[Row]) -> list[Problem]:
    have: dict[str, set[str]] = defaultdict(set)
    for strip in strips:
        have[strip.values.get("field", "")].add(strip.values.get("strip", ""))
    problems = []
    for row in fields:
        name = row.values["field"]
        missing = [s for s in ("treated", "check") if s not in have[name]]
        if missing:
            expected = f"a row for it on the sheet strips ({' and '.join(missing)})"
            cause = f"the field has no {' and no '.join(missing)} strip"
            problems.append(problem(row, "field", cause, name, expected, refuse=False))
    return problems


def _season_known(rows: list[Row], seasons: Seasons) -> list[Problem]:
    """One line a field and season that the sheet seasons does not have."""
    unknown: dict[tuple[str, int], Row] = {}
    for row in rows:
        key = (row.values["field"], row.values["season"])
        if key not in seasons:
            unknown.setdefault(key, row)
    return [
        problem(
            row, "season", "the season is not on the sheet seasons", f"{name} {year}",
            "a row for it there, with its crop", refuse=False,
        )
        for (name, year), row in unknown.items()
    ]  # fmt: skip


def _slips(passes: list[Row]) -> list[Problem]:
    """Refuses passes whose yield no crop has, or that stand far from the others of their season."""
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
            of = crop.replace("_", " ") or "any crop"
            problems.append(
                _slip(row, yields[id(row)], f"no more than {highest:,.0f} kg/ha of {of}")
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
                    _slip(
                        row, found, f"near the middle of the season's passes, {middle:,.0f} kg/ha"
                    )
                )
    return problems


def _slip(row: Row, found: float, expected: str) -> Problem:
    column = "yield_kg_ha" if row.values.get("yield_kg_ha") is not None else "mass_kg"
    cause = "the yield looks like a slip of unit or decimal"
    return problem(row, column, cause, f"{found:,.0f} kg/ha", expected)


def _both_sides(passes: list[Row], said: list[Row]) -> list[Problem]:
    """One line a season of which only one strip was harvested; refused rows count as harvested."""
    sides: dict[tuple[str, int], set[str]] = defaultdict(set)
    for row in said:
        if {"field", "season", "strip"} <= row.values.keys():
            sides[row.values["field"], row.values["season"]].add(row.values["strip"])
    first: dict[tuple[str, int], Row] = {}
    for row in passes:
        first.setdefault((row.values["field"], row.values["season"]), row)
    return [
        problem(
            row, "strip", "only one side was harvested",
            f"{name} {year}: {'check' if 'check' in sides[name, year] else 'treated'} passes only",
            "passes of both strips; without them there is no response", refuse=False,
        )
        for (name, year), row in first.items()
        if len(sides[name, year]) == 1
    ]  # fmt: skip


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
                problems.append(problem(after, "seeded", cause, found, expected, refuse=False))
    return problems


def _prices_in_order(prices: list[Row]) -> list[Problem]:
    problems = []
    for row in prices:
        price = row.values["price_per_kg"]
        low, high = row.values.get("price_low_per_kg"), row.values.get("price_high_per_kg")
        if (low is not None and low > price) or (high is not None and high < price):
            row.values.pop("price_low_per_kg", None)
            row.values.pop("price_high_per_kg", None)
            heading = row.headings.get("price_low_per_kg", "low price")
            cause, expected = (
                "low and high do not enclose the price",
                "low, price, high in this order",
            )
            problems.append(Problem(row.sheet, row.number, heading, cause, "", expected, "value"))
    return problems
