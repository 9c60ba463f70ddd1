"""Former names of fields, strips, stations and probes, from the field book's sheet renames.

A former name stands for today's one in every file and year. Two that get one name are one: their
readings are one series, their spells are joined.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any, TypeVar

from flows.farm.instrument_names import by_word, folded
from schemas.farm.farm import Farm
from schemas.farm.instruments import Instrument, Probe, Sensor, Spell
from schemas.fieldbook.words import WORDS
from schemas.shared_columns import SIDES

ALL = "all"
SAME_DEPTH_CM = 1.0  # as the door takes a depth in a file for that of a declared sensor
_Instrument = TypeVar("_Instrument", bound=Instrument)
_Rule = tuple[str, str, str]  # kind, field and former name, the latter two folded


@dataclass(frozen=True, slots=True)
class Renames:
    """The rules: by kind, field (``all`` but for strips) and former name, that name and the next one."""

    rules: Mapping[_Rule, tuple[str, str]] = field(default_factory=dict)

    @classmethod
    def of(cls, rows: Iterable[Mapping[str, Any]]) -> Renames:
        """Return the rules of rows of the table ``renamed``."""
        rows = list(rows)
        given = {(r["kind"], ALL, folded(r["old_name"])): r for r in rows if r["kind"] != "strip"}
        plain = cls({rule: (r["old_name"], r["new_name"]) for rule, r in given.items()})
        strips = {
            ("strip", folded(plain.today("field", r["field"])), folded(r["old_name"])): r
            for r in rows
            if r["kind"] == "strip"
        }
        of_strips = {rule: (r["old_name"], r["new_name"]) for rule, r in strips.items()}
        return cls({**plain.rules, **of_strips})

    def today(self, kind: str, written: str, of_field: str = ALL) -> str:
        """Return today's name of what is called ``written`` in a file; as written without a rule."""
        name, seen = written, set[str]()
        while folded(name) not in seen:
            seen.add(folded(name))
            rule = self.rules.get((kind, folded(of_field), folded(name))) or self.rules.get(
                (kind, ALL, folded(name))
            )
            if rule is None:
                return name
            name = rule[1]
        return name

    def strip(self, written: str, of_field: str) -> str | None:
        """Return today's name of a strip in a file; None if it is neither a side nor the book's own."""
        name = self.today("strip", written, of_field)
        side = WORDS["strip"].get(name.lower(), name.lower())
        if side in SIDES:
            return side
        return name if ("strip", folded(of_field), folded(name)) in self.rules else None

    def comes_back(self, kind: str, written: str) -> bool:
        """Return whether the rules lead from a name back to itself."""
        return (kind, ALL, folded(self.today(kind, written))) in self.rules


def applied(farm: Farm, renames: Renames, fields: Iterable[str] = ()) -> Farm:
    """Return the farm under today's names, former ones among the ids.

    ``fields``: the fields of the field book, whose spelling counts for the spells.
    """
    spelling = {folded(name): name for name in fields}
    if not renames.rules and not _otherwise_spelled(farm, spelling):
        return farm
    sources = tuple(
        source.model_copy(
            update={
                kind: name and own_name(farm, kind, renames, name)
                for kind, name in (("station", source.station), ("probe", source.probe))
            }
        )
        for source in farm.sources
    )
    changed: dict[str, Any] = {
        "stations": tuple(_joined(farm.stations, "station", renames, spelling)),
        "probes": tuple(_joined(farm.probes, "probe", renames, spelling)),
        "sources": sources,
    }
    changed["layouts"] = {
        name: layout.for_instruments(changed["stations"], changed["probes"])
        for name, layout in farm.layouts.items()
    }
    if farm.normals and farm.normals.station:
        name = _own_name(farm.stations, "station", renames, farm.normals.station)
        changed["normals"] = farm.normals.model_copy(update={"station": name})
    return farm.model_copy(update=changed)


def strips_spelled(farm: Farm, strips: Iterable[Mapping[str, Any]]) -> Farm:
    """Return the farm with the strips of its spells as the rows of ``strips`` spell them."""
    spelling = {(row["field"], folded(row["strip"])): row["strip"] for row in strips}

    def spelled(one: _Instrument) -> _Instrument:
        names = [spelling.get((s.field, folded(s.strip or "")), s.strip) for s in one.spells]
        if names == [s.strip for s in one.spells]:
            return one
        pairs = zip(one.spells, names, strict=True)
        return one.model_copy(
            update={"spells": tuple(s.model_copy(update={"strip": n}) for s, n in pairs)}
        )

    return farm.model_copy(
        update={
            "stations": tuple(map(spelled, farm.stations)),
            "probes": tuple(map(spelled, farm.probes)),
        }
    )


def _of_kind(farm: Farm, kind: str) -> tuple[Instrument, ...]:
    return farm.stations if kind == "station" else farm.probes


def _otherwise_spelled(farm: Farm, spelling: Mapping[str, str]) -> bool:
    spells = [spell for one in (*farm.stations, *farm.probes) for spell in one.spells]
    named = {name for s in spells for name in (s.field, *s.fields) if name}
    return any(spelling.get(folded(name), name) != name for name in named)


def own_name(farm: Farm, kind: str, renames: Renames, written: str) -> str:
    """Return the name of farm.toml for a name or id, former ones too; as written if it has none."""
    return _own_name(_of_kind(farm, kind), kind, renames, written)


def _own_name(instruments: Iterable[Instrument], kind: str, renames: Renames, written: str) -> str:
    name = renames.today(kind, written)
    return by_word(instruments).get(folded(name), name)


def _joined(
    instruments: tuple[_Instrument, ...], kind: str, renames: Renames, spelling: Mapping[str, str]
) -> Iterator[_Instrument]:
    """Yield the instruments under today's names, those that are one joined."""
    former: dict[str, list[str]] = {}
    for (of_kind, _, _), (old, _) in renames.rules.items():
        if of_kind == kind:
            former.setdefault(_own_name(instruments, kind, renames, old), []).append(old)
    for name, group in _groups(instruments, kind, renames).items():
        first = group[0]
        words = [*_all_words(group), *former.get(name, [])]
        ids = tuple(dict.fromkeys(word for word in words if word != name))
        spells = [_at_today(s, renames, spelling) for one in group for s in one.spells]
        changed: dict[str, Any] = {"name": name, "ids": ids, "spells": _together(spells)}
        if isinstance(first, Probe):
            changed["sensors"] = _sensors([one for one in group if isinstance(one, Probe)])
        yield first.model_copy(update=changed)


def _all_words(instruments: Iterable[Instrument]) -> list[str]:
    return [word for one in instruments for word in (one.name, *one.ids)]


def _groups(
    instruments: tuple[_Instrument, ...], kind: str, renames: Renames
) -> dict[str, list[_Instrument]]:
    """Return instruments by today's name, the one that has it in farm.toml first."""
    groups: dict[str, list[_Instrument]] = {}
    for one in instruments:
        groups.setdefault(_own_name(instruments, kind, renames, one.name), []).append(one)
    found: dict[str, list[_Instrument]] = {}
    for name, group in sorted(groups.items()):
        first = [member for member in group if member.name == name]
        found[name] = first + [member for member in group if member.name != name]
    return found


def _at_today(spell: Spell, renames: Renames, spelling: Mapping[str, str]) -> Spell:
    def today(field_name: str) -> str:
        name = renames.today("field", field_name)
        return spelling.get(folded(name), name)

    field_today = today(spell.field) if spell.field is not None else None
    serves = tuple(dict.fromkeys(map(today, spell.fields)))
    return spell.model_copy(update={"field": field_today, "fields": serves})


def _together(spells: Iterable[Spell]) -> tuple[Spell, ...]:
    """Return spells in order, those that overlap at one place as one."""
    found: list[Spell] = []
    for spell in sorted(spells, key=lambda one: one.from_day):
        last = found[-1] if found else None
        if last is None or not _overlap(last, spell) or _place(last) != _place(spell):
            found.append(spell)
            continue
        ends = (last.to_day, spell.to_day)
        end = None if None in ends else max(day for day in ends if day is not None)
        found[-1] = last.model_copy(update={"to_day": end})
    return tuple(found)


def _overlap(earlier: Spell, later: Spell) -> bool:
    return earlier.to_day is None or earlier.to_day >= later.from_day


def _place(spell: Spell) -> tuple[str, str | None]:
    return folded(spell.field or ""), spell.strip


def _sensors(probes: list[Probe]) -> tuple[Sensor, ...]:
    """Return the sensors of probes that are one; of two at one depth the first probe's."""
    found: list[Sensor] = []
    for sensor in (sensor for probe in probes for sensor in probe.sensors):
        if all(abs(sensor.depth_cm - one.depth_cm) > SAME_DEPTH_CM for one in found):
            found.append(sensor)
    return tuple(found)


def two_places(farm: Farm, kind: str, renames: Renames) -> dict[str, str]:
    """Return the instruments that would have stood at two places at once, and where, as sentences."""
    found = {}
    for one in _joined(_of_kind(farm, kind), kind, renames, {}):
        for earlier, later in pairwise(one.spells):
            if _overlap(earlier, later):
                found[one.name] = f"{_in_words(earlier)}, and {_in_words(later)}"
    return found


def _in_words(spell: Spell) -> str:
    where = " ".join(filter(None, (spell.field, spell.strip))) or "no field"
    return f"{where} from {spell.from_day} to {spell.to_day or 'now'}"
