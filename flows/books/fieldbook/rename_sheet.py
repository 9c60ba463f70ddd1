"""The sheet renames: what it says compared with itself, with farm.toml and with the sheet fields."""

from __future__ import annotations

from typing import Any

from flows.books.fieldbook.problem import Problem, nearest_or_all
from flows.books.fieldbook.reader import Known, Row
from flows.books.fieldbook.sheet_problem import problem
from flows.farm import renames
from flows.farm.instrument_names import by_word, folded
from flows.farm.renames import ALL, Renames
from schemas.farm.farm import Farm
from schemas.fieldbook.words import WORDS
from schemas.shared_columns import SIDES

SHEET = "renames"
_INSTRUMENTS = ("station", "probe")


def complete(row: Row, _: Known, __: Any) -> list[Problem]:
    """Complete a row, and reject it if it renames nothing or names no strip that there can be."""
    values = row.values
    old, new = str(values["old_name"]).strip(), str(values["new_name"]).strip()
    values["old_name"], values["new_name"] = old, new
    values.setdefault("field", ALL)
    if folded(old) == folded(new):
        cause = "the two names are one: capitals do not count"
        return [problem(row, "new_name", cause, f"{old} to {new}", "another name")]
    return _strip(row, old, new) if values["kind"] == "strip" else _everywhere(row, old, new)


def _everywhere(row: Row, old: str, new: str) -> list[Problem]:
    """Reject a row of a field or an instrument that names a field of it, or means every one."""
    kind, of_field = row.values["kind"], row.values["field"]
    if folded(of_field) != ALL:
        cause, expected = f"a {kind} is renamed everywhere", "an empty cell"
        return [problem(row, "field", cause, of_field, expected)]
    if ALL in (folded(old), folded(new)):
        cause = "the name 'all' means every one"
        return [problem(row, "old_name", cause, f"{old} to {new}", "another name")]
    return []


def _strip(row: Row, old: str, new: str) -> list[Problem]:
    """Take the word for a strip, and reject a row that renames a side or gives none."""
    sides = [WORDS["strip"].get(folded(word), folded(word)) for word in (old, new)]
    if sides[1] not in SIDES:
        return [problem(row, "new_name", "a strip is treated or check", new, " or ".join(SIDES))]
    if sides[0] in SIDES:
        cause, expected = "the word means a strip already", "a name of the strip's own"
        return [problem(row, "old_name", cause, old, expected)]
    row.values["new_name"] = sides[1]
    return []


def amend(rows: list[Row], known: Known) -> list[Problem]:
    """Reject what cannot be, and read all that follows by the rows that are left."""
    problems = _circles(rows)
    if known.farm is not None:
        for kind in _INSTRUMENTS:
            problems += _unknown(rows, known.farm, kind)
            problems += _two_places(rows, known.farm, kind)
    known.renames = _rules(rows)
    if known.farm is not None:
        for kind in _INSTRUMENTS:
            for row in _of(rows, kind):
                new = row.values["new_name"]
                row.values["new_name"] = renames.own_name(known.farm, kind, known.renames, new)
        known.farm = renames.applied(known.farm, known.renames)
    return problems


def _rules(rows: list[Row]) -> Renames:
    return Renames.of(row.values for row in rows if not row.rejected)


def _of(rows: list[Row], kind: str) -> list[Row]:
    return [row for row in rows if not row.rejected and row.values["kind"] == kind]


def _circles(rows: list[Row]) -> list[Problem]:
    rules = _rules(rows)
    cause, expected = "the renames lead back to this name", "one of the two names today"
    return [
        problem(
            row,
            "new_name",
            cause,
            f"{row.values['old_name']} to {row.values['new_name']}",
            expected,
        )
        for kind in ("field", *_INSTRUMENTS)
        for row in _of(rows, kind)
        if rules.comes_back(kind, row.values["old_name"])
    ]


def _unknown(rows: list[Row], farm: Farm, kind: str) -> list[Problem]:
    """Reject rows whose new name farm.toml does not have, nor the old one, or has for another."""
    rules, instruments = _rules(rows), farm.stations if kind == "station" else farm.probes
    words, problems = by_word(instruments), []
    # a name that another row gives, down a chain to one that farm.toml has
    reached = {folded(rules.today(kind, one.name)) for one in instruments}
    for row in _of(rows, kind):
        old, today = row.values["old_name"], rules.today(kind, row.values["new_name"])
        is_of = words.get(folded(old))
        if folded(today) not in words.keys() | reached:
            expected = nearest_or_all(today, [one.name for one in instruments], "one of")
            problems.append(
                problem(row, "new_name", f"farm.toml has no such {kind}", today, expected)
            )
        elif is_of and folded(is_of) != folded(old) and words.get(folded(today), today) != is_of:
            cause, found = "the old name is an id of another one", f"{old} of {is_of}"
            problems.append(problem(row, "old_name", cause, found, f"no ids = [..., {old!r}]"))
    return problems


def _two_places(rows: list[Row], farm: Farm, kind: str) -> list[Problem]:
    rules, words = _rules(rows), by_word(farm.stations if kind == "station" else farm.probes)
    clashes = renames.two_places(farm, kind, rules)
    problems = []
    for row in _of(rows, kind):
        today = rules.today(kind, row.values["new_name"])
        if where := clashes.get(words.get(folded(today), today)):
            cause = f"the two {kind}s stood at two places at once"
            problems.append(
                problem(row, "new_name", cause, where, "spells that end before others begin")
            )
    return problems


def without_field(rows: list[Row], known: Known) -> list[Problem]:
    """Reject rows that name a field which the sheet fields has under neither name."""
    problems = []
    for row in rows:
        if row.rejected or row.values["kind"] in _INSTRUMENTS:
            continue
        column = "new_name" if row.values["kind"] == "field" else "field"
        today = known.renames.today("field", row.values[column])
        if folded(today) != ALL and folded(today) not in map(folded, known.fields.values()):
            expected = nearest_or_all(
                today, list(known.fields.values()), "a field of the sheet fields"
            )
            problems.append(problem(row, column, "the field is not known", today, expected))
        else:
            row.values[column] = known.fields.get(today.lower(), today)
    return problems
