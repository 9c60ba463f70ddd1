"""What the sheets about instruments say, compared with farm.toml."""

from __future__ import annotations

from datetime import date
from typing import Any

from flows.books.fieldbook.problem import Problem, nearest_or_all
from flows.books.fieldbook.reader import Known, Row
from flows.books.fieldbook.sheet_problem import problem
from flows.farm import lifts as farm_lifts
from flows.farm.instrument_names import by_word
from schemas.farm.farm import Farm
from schemas.quantities import Instrument
from schemas.quantity_groups import columns_of


def lifts(row: Row, known: Known, _: Any) -> list[Problem]:
    """Complete a row of the sheet lifts: the probe's name, and whether it stood in the soil then."""
    out: date = row.values["out_day"]
    back: date | None = row.values.get("in_day")
    if back is not None and back < out:
        found = f"out {out}, in {back}"
        return [
            problem(row, "in_day", "it was set back before it was lifted", found, f"{out} or later")
        ]
    if known.farm is None:
        return []
    probes = {probe.name: probe for probe in known.farm.probes}
    written = str(row.values["probe"]).strip()
    if written.casefold() == farm_lifts.ALL:
        row.values["probe"], meant = farm_lifts.ALL, list(probes.values())
    elif name := by_word(probes.values()).get(written.casefold()):
        row.values["probe"], meant = name, [probes[name]]
    else:
        expected = nearest_or_all(written, [*probes, farm_lifts.ALL], "one of")
        return [problem(row, "probe", "farm.toml has no such probe", written, expected)]
    if expected := farm_lifts.contradiction(meant, out, back):
        cause = "the lift contradicts the spells in farm.toml"
        return [problem(row, "out_day", cause, f"{out} to {back or 'now'}", expected)]
    return []


def do_not_use(row: Row, known: Known, _: Any) -> list[Problem]:
    """Complete a row of the sheet do not use: which instrument it is, and what of it."""
    values = row.values
    first: date = values["from_day"]
    last: date | None = values.get("to_day")
    if last is not None and last < first:
        found = f"from {first} to {last}"
        return [problem(row, "to_day", "it ends before it begins", found, f"{first} or later")]
    quantity, depth = values.get("quantity"), values.get("depth_cm")
    values["what"] = ", ".join(filter(None, (quantity, depth and f"{depth:g} cm"))) or "all"
    possible = _kinds(quantity, depth)
    if not possible:
        found = f"{quantity} at {depth:g} cm"
        return [problem(row, "depth_cm", "a station has no depths", found, "an empty cell")]
    named = instruments(known.farm, str(values["instrument"]))
    kinds = possible & named.keys() if known.farm else possible
    if not kinds:
        expected = nearest_or_all(str(values["instrument"]), _names(known.farm, possible), "one of")
        cause = f"farm.toml has no such {' or '.join(sorted(possible))}"
        return [problem(row, "instrument", cause, values["instrument"], expected)]
    if len(kinds) > 1 and known.farm:
        expected = "the quantity, to tell them apart"
        cause = "a station and a probe have this name"
        return [problem(row, "instrument", cause, values["instrument"], expected)]
    values["kind"] = "station" if "station" in kinds else "probe"
    values["instrument"] = named.get(values["kind"], values["instrument"])
    return []


def gauge(row: Row, known: Known, _: Any) -> list[Problem]:
    """Complete a row of the sheet gauge: the field or station that the gauge stands at."""
    values = row.values
    written = str(values["place"]).strip()
    fields = _fields(known)
    field = fields.get(known.renames.today("field", written).lower())
    station = instruments(known.farm, written).get("station") if known.farm else None
    if field is None and written.lower() in known.rejected_fields and station is None:
        row.rejected = True  # its fault is named on the sheet fields
        return []
    if field is not None and station is not None and field != station:
        found, expected = written, f"the field {field} or the station {station} as it is written"
        return [problem(row, "place", "a field and a station have this name", found, expected)]
    if field is None and station is None:
        names = [*fields.values(), *_names(known.farm, {"station"})]
        expected = nearest_or_all(written, names, "one of")
        return [problem(row, "place", "no field or station has this name", written, expected)]
    values["kind"] = "field" if field is not None else "station"
    values["place"] = field or station
    over = values.get("over_d")
    if over is not None and over != int(over):
        return [problem(row, "over_d", "the days are no whole number", f"{over:g}", "such as 3")]
    if over is not None:
        values["over_d"] = int(over)
    return []


def _fields(known: Known) -> dict[str, str]:
    """Return the fields of the sheet fields, and those that farm.toml alone names."""
    stations = known.farm.stations if known.farm else ()
    stood_in = {spell.field for station in stations for spell in station.spells if spell.field}
    return {name.lower(): name for name in sorted(stood_in)} | known.fields


def _kinds(quantity: str | None, depth: float | None) -> set[str]:
    """Return the kinds of instrument that have the quantity and, if one is given, depths."""
    kinds = {k.value for k in Instrument if quantity is None or quantity in columns_of(k)}
    return kinds - {"station"} if depth is not None else kinds


def instruments(farm: Farm | None, written: str) -> dict[str, str]:
    """Return the names of the station and the probe that a word stands for, by kind."""
    if farm is None:
        return {}
    found = {
        kind: by_word(named).get(written.strip().casefold())
        for kind, named in (("station", farm.stations), ("probe", farm.probes))
    }
    return {kind: name for kind, name in found.items() if name is not None}


def _names(farm: Farm | None, kinds: set[str]) -> list[str]:
    if farm is None:
        return []
    stations = [one.name for one in farm.stations if "station" in kinds]
    return stations + [one.name for one in farm.probes if "probe" in kinds]
