"""What the lines above the headings say of the whole file: the depth of its sensor, the place."""

from __future__ import annotations

import re
from collections.abc import Sequence

from flows.intake.door.depths import in_cm
from flows.setup.sniff.columns import Column
from flows.setup.sniff.finding import Grid, Sure
from schemas.farm.farm import Place
from schemas.quantities import BY_NAME, Instrument

NUMBER = r"[\"\s:=,;]*([-+−]?\d+(?:[.,]\d+)?)"
DEPTH = re.compile(
    rf"((?:(?:sensor|soil|probe|installation|measurement) )?depth){NUMBER}"
    r"\s*(cm|mm|meters?|m|inches|inch|in|ft|\")?(?![\w.])",
    re.IGNORECASE,
)
DEGREES = re.compile(
    rf"\b(lat(?:itude)?|lon(?:g|gitude)?)\b[^\d\n+−-]{{0,20}}?{NUMBER}"
    r"\s*°?\s*(?:([NSEW])(?:orth|outh|ast|est)?\b)?(?![\d\s°]*['′’])",
    re.IGNORECASE,
)
ELEVATION = re.compile(
    rf"\b(elev(?:ation)?|alt(?:itude)?)\b[^\d\n+−-]{{0,20}}?{NUMBER}\s*(m|ft|feet)?\b",
    re.IGNORECASE,
)
APART_DEG = 1.0  # a place further from that of farm.toml is asked about


def depth(grid: Grid, lines: Sequence[str], columns: Sequence[Column]) -> None:
    """Propose the depth that stands above the headings, where no heading of a probe has one."""
    probe = [c for c in columns if BY_NAME[str(c.heading.quantity)].instrument is Instrument.PROBE]
    told = any(c.heading.depth is not None or "sensor" in c.rule for c in probe)
    found = next(filter(None, map(DEPTH.search, lines)), None)
    if found is None or told or not probe or {"depth_column", "sensor_column"} & grid.layout.keys():
        return
    for column in probe:
        column.rule.pop("depth_cm", None)
        item = f"columns.{column.name}.depth_cm"
        grid.found = [finding for finding in grid.found if finding.item != item]
    grid.layout["facts"] = {"depth": {"after": found[1]}}
    written = f"{found[2]} {found[3] or 'cm'}"
    cm = next(iter(in_cm([written], "cm").values()), None)
    why = f"'{found[0].strip()}' stands above the headings: {cm:g} cm"
    if not found[3]:
        why += "; is it in cm?"
    sure = Sure.LIKELY if found[3] else Sure.UNSURE
    grid.note("facts.depth", f"after '{found[1]}'", sure, why)


def place(grid: Grid, lines: Sequence[str], farm: Place | None) -> None:
    """Note the place that stands above the headings, and ask if it is not that of the farm."""
    text = "\n".join(lines)
    degrees = {m[1].casefold()[:3]: _degrees(m) for m in DEGREES.finditer(text)}
    if not degrees.keys() >= {"lat", "lon"}:
        return
    if abs(degrees["lat"]) <= 90 and abs(degrees["lon"]) <= 180:
        grid.place = degrees["lat"], degrees["lon"]
    where = f"latitude {degrees['lat']:g}, longitude {degrees['lon']:g}"
    if high := ELEVATION.search(text):
        where += f", elevation {_number(high[2]):g} {high[3] or 'm'}"
    if farm is None or farm.latitude is None or farm.longitude is None:
        grid.note("place", where, Sure.LIKELY, "it is above the headings; [place] has the farm's")
        return
    apart = max(abs(degrees["lat"] - farm.latitude), abs(degrees["lon"] - farm.longitude))
    same = apart <= APART_DEG
    why = "it stands above the headings" + (
        ", near the farm's"
        if same
        else f", {apart:.1f} degrees from the farm: is this the file of its station?"
    )
    grid.note("place", where, Sure.LIKELY if same else Sure.UNSURE, why)


def _degrees(found: re.Match[str]) -> float:
    degrees = _number(found[2])
    return -abs(degrees) if (found[3] or "").upper() in ("S", "W") else degrees


def _number(text: str) -> float:
    return float(text.replace(",", ".").replace("−", "-"))
