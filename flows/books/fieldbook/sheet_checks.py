"""What one row cannot know: bushels, defaults, and rows that contradict others."""

from collections.abc import Callable
from datetime import date

from flows.books.fieldbook import (
    instrument_sheets,
    irrigation_sheet,
    observation_sheet,
    rename_sheet,
    units,
)
from flows.books.fieldbook.problem import Problem, nearest_or_all
from flows.books.fieldbook.reader import Known, Row
from flows.books.fieldbook.sheet_problem import problem
from schemas.catalogue import TABLES
from schemas.fieldbook.parts import Sheet
from schemas.shared_columns import SIDES

Rows = dict[str, list[Row]]
Seasons = dict[tuple[str, int], str | None]
_PRICE_ENDS = ("price_low_per_kg", "price_high_per_kg")
_PRICE_UNIT = "a unit such as $/t or $/bu"


def complete(sheet: Sheet, rows: list[Row], known: Known, done: Rows) -> list[Problem]:
    """Fill what an empty cell means, convert bushels, and reject what cannot stand.

    ``done`` holds the sheets before this one. Only rows that are not yet rejected are looked at.
    """
    problems: list[Problem] = []
    step = _SHEETS.get(sheet.name)
    for row in rows:
        if step and not row.rejected:
            problems += step(row, known, done)
        if not row.rejected:
            problems += _bushels(row, sheet, known)
    return problems


def _fields(row: Row, known: Known, _: Rows) -> list[Problem]:
    name = row.values["field"]
    if name.lower() == "all":
        return [problem(row, "field", "the name 'all' means the whole farm", name, "another name")]
    known.fields.setdefault(name.lower(), name)
    return []


def _strips(row: Row, known: Known, _: Rows) -> list[Problem]:
    """Give a strip named treated or check that role; one of another name must have one."""
    values = row.values
    name = values["strip"]
    if name in SIDES:
        values.setdefault("role", name)
    if "role" not in values:
        expected = "treated or check in the column role, or as the name of the strip"
        return [problem(row, "strip", "the strip has no role", name, expected)]
    known.strips.setdefault(values["field"], {})[name.lower()] = name
    return []


def _seasons(row: Row, _: Known, __: Rows) -> list[Problem]:
    values = row.values
    seeded: date = values["seeded"]
    harvested: date | None = values.get("harvested")
    if harvested and harvested < seeded:
        cause, found = "the season ends before it begins", f"seeded {seeded}, harvested {harvested}"
        return [problem(row, "harvested", cause, found, "a harvest after the seeding")]
    if harvested:
        if values.setdefault("season", harvested.year) != harvested.year:
            cause = "the season is not the year of the harvest"
            found = f"{values['season']}, harvested {harvested}"
            return [problem(row, "season", cause, found, str(harvested.year))]
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


def _operations(row: Row, known: Known, done: Rows) -> list[Problem]:
    values = row.values
    own = known.strips.get(values["field"], {})
    if "strip" not in values and own and "treated" not in own:
        expected = nearest_or_all("", list(own.values()), "one of")
        return [problem(row, "strip", "the strip that was worked is not given", "", expected)]
    values.setdefault("strip", "treated")
    if "practice" not in values:
        here = [r.values for r in done["strips"] if r.values.get("strip") == values["strip"]]
        values["practice"] = next(
            (
                r["practice"]
                for r in (*here, *(r.values for r in done["fields"]))
                if r.get("field") == values["field"] and r.get("practice")
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
    given = values.keys() | row.bushels.keys()
    missing = [c for c in ("mass_kg", "length_m", "width_m") if c not in given]
    if not missing or "yield_kg_ha" in given or values["left_out"]:
        return []
    found = f"no {', '.join(c.rsplit('_', 1)[0] for c in missing)}"
    expected = "mass, length and width, or the yield"
    return [problem(row, "", "the pass has no yield", found, expected)]


def _prices(row: Row, known: Known, _: Rows) -> list[Problem]:
    values = row.values
    values.setdefault("field", "all")
    own = values.pop("unit", None)
    number, unit = row.bushels.get("price_per_kg", (values.get("price_per_kg"), "in the heading"))
    if not unit:
        if own is None:
            return [problem(row, "price_per_kg", "the price has no unit", number, _PRICE_UNIT)]
        strange = units.currency_codes(own) - {(known.currency or "").upper()}
        if known.currency and strange:
            return [problem(row, "unit", "the money is not the farm's", own, known.currency)]
        # 'bu' or 't' alone: the column is about money, so what stands there is what it is per
        tries = (units.expression(own), units.expression(f"per {own}"))
        unit = next((u for u in tries if u and units.factor(u, "currency/kg", 1.0)), "")
        if not unit:
            return [problem(row, "unit", "the unit is not known", own, _PRICE_UNIT)]
    for column, (value, expr) in list(row.bushels.items()):
        row.bushels[column] = (value, expr or unit)
    if (
        unit == "in the heading" and row.bushels
    ):  # only low or high price or the premium wait for a unit
        heading = row.headings[next(iter(row.bushels))]
        row.bushels.clear()
        expected = "the unit in its heading, as the price has it"
        return [
            Problem(row.sheet, row.number, heading, "the price has no unit", "", expected, "value")
        ]
    written = own or row.headings.get("price_per_kg", "")
    values["price_as_written"] = f"{number:g} {written}"
    return []


def _plans(row: Row, known: Known, done: Rows) -> list[Problem]:
    if "price_per_kg" in row.values or "price_per_kg" in row.bushels:
        return _prices(row, known, done)
    ends = [c for c in _PRICE_ENDS if row.values.pop(c, row.bushels.pop(c, None)) is not None]
    row.values.pop("unit", None)
    cause = "a lowest or highest price without the likely one"
    return [
        Problem(row.sheet, row.number, row.headings[c], cause, "", "a price in its column", "value")
        for c in ends
    ]


def _costs(row: Row, _: Known, __: Rows) -> list[Problem]:
    row.values.setdefault("kind", "other")
    return []


def _notes(row: Row, _: Known, __: Rows) -> list[Problem]:
    row.values.setdefault("field", "all")
    return []


_SHEETS: dict[str, Callable[[Row, Known, Rows], list[Problem]]] = {
    "fields": _fields,
    "strips": _strips,
    "seasons": _seasons,
    "operations": _operations,
    "passes": _passes,
    "prices": _prices,
    "plans": _plans,
    "costs": _costs,
    "notes": _notes,
    "irrigation": irrigation_sheet.irrigation,
    "observations": observation_sheet.observation,
    "renames": rename_sheet.complete,
    "lifts": instrument_sheets.lifts,
    "do not use": instrument_sheets.do_not_use,
    "gauge": instrument_sheets.gauge,
}


def _bushels(row: Row, sheet: Sheet, known: Known) -> list[Problem]:
    """Convert what waits for the crop's bushel weight (passes find their crop by their season)."""
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
    """Give each pass the crop of its season, for its bushels."""
    for row in rows:
        key = (row.values.get("field", ""), row.values.get("season", 0))
        if seasons.get(key):
            row.values["crop"] = seasons[key]


def crops_by_season(rows: list[Row]) -> Seasons:
    """Return the crop of each field and season on the sheet, rejected rows too.

    So a season that is there but wrong is not a second fault on the sheets that name it.
    """
    return {
        (r.values["field"], year): r.values.get("crop")
        for r in rows
        if "field" in r.values
        for year in (r.values.get("season"), getattr(r.values.get("harvested"), "year", None))
        if year
    }
