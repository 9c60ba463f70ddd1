"""Asks what a layout leaves open: clock, order of day and month, units, depths."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from typing import Any
from zoneinfo import available_timezones

from flows.base.errors import UserError
from flows.base.plain_text import counted
from flows.farm.farm_file import standard_offset_h
from flows.intake.door.depths import in_cm
from flows.setup.add.looked import Look
from flows.setup.questions import Question, Script, some
from flows.setup.sniff.finding import Finding
from flows.setup.sniff.stamp_formats import swapped
from flows.setup.sniff.zone import offset_text
from schemas.farm.farm import Farm

STAMPS = (
    ("end", "the interval ends at that time"),
    ("start", "the interval begins at that time"),
    ("middle", "that time is its middle"),
    ("instant", "a value of that moment"),
)
CLOCK = ("time.zone", "time.offset")
OFFSET = re.compile(r"^(?:Z|UTC|[+-]\d{2}:?\d{2})$", re.IGNORECASE)


def of_layout(seen: Look, farm: Farm) -> Script:
    """Ask what the layout leaves open, if anything; only what is unsure is asked."""

    def script(_: Mapping[str, str]) -> Iterator[Question]:
        for finding in seen.unsure:
            question = _of_finding(finding, seen, farm)
            if question is not None:
                yield question
        yield from _depths(seen)

    return script


def _of_finding(finding: Finding, seen: Look, farm: Farm) -> Question | None:
    item, why = finding.item, _sentence(finding.evidence)
    if item in CLOCK:
        return _clock(seen, farm, why)
    return (
        _of_column(item, seen, why) if item.startswith("columns.") else _of_times(item, seen, why)
    )


def _of_times(item: str, seen: Look, why: str) -> Question | None:
    if item == "stamp":
        text = "What does the time of a row say?"
        return Question("stamp", text, str(seen.layout["stamp"]), STAMPS, why=why)
    if item == "time.format":
        form = str(seen.layout["time"]["format"])
        forms = tuple((f, _order(f)) for f in (form, swapped(form)) if f)
        return Question("dates", "In which order are day and month?", form, forms, why=why)
    if item == "depth_column":
        units = (("cm", ""), ("inch", ""), ("mm", ""))
        return Question("depth_unit", "Which unit are the depths in?", "cm", units, why=why)
    return None


def _of_column(item: str, seen: Look, why: str) -> Question | None:
    column, _, key = item.removeprefix("columns.").rpartition(".")
    if column not in seen.layout.get("columns", {}):
        return None
    rule = seen.layout["columns"][column]
    if key == "unit":
        text = f"Which unit is '{column}' in?"
        return Question(f"unit {column}", text, str(rule.get("unit", "")), why=why, check=some)
    if key == "counts":
        both = (("increment", "what fell in each interval"), ("total", "a total that climbs"))
        return Question(
            f"counts {column}", f"What does '{column}' hold?", "increment", both, why=why
        )
    return None


def _order(form: str) -> str:
    return "day before month" if form.find("%d") < form.find("%m") else "month before day"


def _clock(seen: Look, farm: Farm, why: str) -> Question:
    place = farm.place
    standard = offset_text(standard_offset_h(place))
    choices = [(standard, "standard time all year"), (place.time_zone, "with daylight saving")]
    choices += [] if standard == "Z" else [("Z", "UTC")]
    time = seen.layout["time"]
    proposed = str(time.get("zone") or time.get("offset") or standard)
    if proposed == "Z" and (f"({standard})" in why or place.latitude is None):
        proposed = standard  # both are possible, and a farm's own logger rarely keeps UTC
    return Question(
        "clock",
        "Which clock does the logger keep?",
        proposed,
        tuple(dict(choices).items()),
        open=True,
        why=why,
        check=_checked_clock,
    )


def _checked_clock(word: str) -> str:
    zones = {name.casefold(): name for name in available_timezones()}
    if OFFSET.match(word):
        return word.upper()
    if word.casefold() not in zones:
        raise UserError(f"'{word}': expected an offset such as -06:00, Z, or America/Winnipeg.")
    return zones[word.casefold()]


def _depths(seen: Look) -> Iterator[Question]:
    """Ask for the depths of all sensors in one line, if any of them is not sure."""
    open_ = {f.item for f in seen.unsure}
    doubtful = "depths" in open_ or any(i.endswith((".depth_cm", ".sensor")) for i in open_)
    sensors = sensors_asked(seen)
    if not sensors or not (doubtful or any("depth_cm" not in s for s in sensors)):
        return
    names = [str(s.get("name") or f"{s['depth_cm']:g} cm") for s in sensors]
    known = [s.get("depth_cm") for s in sensors]
    why = "; ".join(_sentence(f.evidence) for f in seen.unsure if f.item == "depths")
    yield Question(
        "depths",
        f"How deep are the {counted(len(sensors), 'sensor')}, in cm (or as in 4 in)? In this order: "
        f"{', '.join(names)}."
        if len(sensors) > 1
        else "How deep is the sensor, in cm (or as in 4 in)?",
        ", ".join(f"{d:g}" for d in known if d is not None) if None not in known else "",
        why=why,
        check=lambda word: _checked_depths(word, len(sensors)),
    )


def sensors_asked(seen: Look) -> list[dict[str, Any]]:
    """Return the sensors whose depths are asked together: those of columns, or of rows by name."""
    return [] if "depth" in seen.rows.columns else seen.sensors()


def _checked_depths(word: str, number: int) -> str:
    words = [part for part in re.split(r"[,;]\s*|\s+and\s+", word.strip()) if part]
    known = in_cm(words, "cm")
    wrong = [part for part in words if part not in known]
    if wrong or len(words) != number:
        found = f"'{wrong[0]}'" if wrong else f"{len(words)} in '{word}'"
        raise UserError(f"{found}: expected {counted(number, 'depth')}, such as 10, 30, 60.")
    depths = [round(known[part], 2) for part in words]
    if len(set(depths)) < number:
        raise UserError(f"'{word}': two sensors at one depth; each needs its own.")
    return ", ".join(f"{depth:g}" for depth in depths)


def answered_layout(seen: Look, answers: Mapping[str, str]) -> dict[str, Any]:
    """Return the layout with the answers in it."""
    layout = dict(seen.layout)
    columns = {name: dict(rule) for name, rule in layout.get("columns", {}).items()}
    for key, answer in answers.items():
        kind, _, column = key.partition(" ")
        if key == "clock":
            time = {k: v for k, v in layout["time"].items() if k not in ("offset", "zone")}
            time |= {"trust_zone": False} if "trust_zone" in time else {}
            layout["time"] = time | {"zone" if "/" in answer else "offset": answer}
        elif key == "dates":
            layout["time"] = layout["time"] | {"format": answer}
        elif key in ("stamp", "depth_unit"):
            layout[key] = answer
        elif kind in ("unit", "counts"):
            columns[column][kind] = answer
    if "depths" in answers:
        depths = dict(
            zip(map(_sensor_key, sensors_asked(seen)), answers["depths"].split(", "), strict=True)
        )
        for rule in columns.values():
            depth = depths.get((rule.get("sensor"), rule.get("depth_cm")))
            if depth is not None:
                rule.pop("sensor", None)
                rule["depth_cm"] = float(depth)
    return layout | ({"columns": columns} if columns else {})


def _sensor_key(sensor: Mapping[str, Any]) -> tuple[Any, Any]:
    return sensor.get("name"), sensor.get("depth_cm")


def _sentence(evidence: str) -> str:
    text = evidence.strip()
    return text[:1].upper() + text[1:] + ("" if text.endswith((".", "?")) else ".")
