"""A new farm folder: asks what only the grower knows, and writes a short ``farm.toml``."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from datetime import datetime
from importlib.resources import files as resources
from pathlib import Path
from typing import Literal, get_args
from uuid import uuid4
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError, available_timezones

import tzlocal
from pydantic import ValidationError

from flows.base import files
from flows.base.errors import UserError
from flows.base.toml_text import toml_value
from flows.books.fieldbook.blank import write_blank
from flows.farm import farm_file
from flows.farm.folder import FarmFolder
from flows.setup.questions import Ask, Question, Script, answered, proposed
from schemas.farm.farm import Place

Units = Literal["metric", "us", "canada"]
UNITS = (
    ("metric", "mm, cm, degC, t/ha, L/ha"),
    ("us", "inch, degF, bu/ac, gal/ac"),
    ("canada", "mm, cm, degC, bu/ac, L/ac"),
)
CURRENCIES = {"canada": "CAD"}
_DEGREES = re.compile(
    r"([+-]?\d+(?:\.\d+)?)\s*°?\s*([NS])?\s*[,;\s]\s*([+-]?\d+(?:\.\d+)?)\s*°?\s*([EW])?",
    re.IGNORECASE,
)
_HEIGHT = re.compile(r"(-?\d+(?:\.\d+)?)\s*(m|ft|feet|foot)?", re.IGNORECASE)
FOOT_M = 0.3048
# Standard time differs from the sun's by at most so much anywhere (western China: three hours).
FARTHEST_H = 3.5


def new(
    root: Path,
    units: str | None = None,
    given: Mapping[str, str | None] | None = None,
    ask: Ask = proposed,
) -> str:
    """Lay out a farm folder; returns what to do next. Nothing that is there is overwritten.

    ``given`` answers questions by their keys; the others are asked with ``ask``. Raises UserError
    if the folder is a farm folder already, or an answer cannot be taken; then nothing is written.
    """
    folder = FarmFolder(root.expanduser().resolve())
    if folder.root.exists() and not folder.root.is_dir():
        raise UserError(f"{folder.root} is a file, not a folder.")
    if folder.farm_toml.exists():
        raise UserError(f"{folder.root} is a farm folder already; nothing was changed.")
    known = {"units": units, **(given or {})}
    found = answered(_script(folder.root), known, ask)
    if known.get("elevation") and not found["place"]:
        raise UserError("--elevation: give --place too, as latitude and longitude.")
    text = _farm_toml(found)
    folder.root.mkdir(parents=True, exist_ok=True)
    folder.make()
    folder.normals.mkdir(exist_ok=True)
    if not folder.fieldbook_file.exists() and not folder.fieldbook_dir.exists():
        write_blank(folder.fieldbook_file, next(u for u in get_args(Units) if u == found["units"]))
    files.write_text(folder.farm_toml, text)
    return "\n".join([f"Made {folder.root}.", *_missing(found), *_next(root)])


def reference() -> str:
    """Return every key of farm.toml with its meaning and examples, as TOML."""
    return (resources("flows.farm") / "farm_reference.toml").read_text(encoding="utf-8")


def _script(root: Path) -> Script:
    def script(found: Mapping[str, str]) -> Iterator[Question]:
        yield Question("name", "What is the farm called?", root.name, check=_some)
        yield Question("units", "Which units do you read?", "metric", UNITS)
        currency = CURRENCIES.get(found["units"], "USD")
        yield Question("currency", "Which currency are prices in?", currency, check=_currency)
        yield Question(
            "place",
            "Where is the farm? Latitude and longitude, such as 49.52, -98.01 (west is negative).",
            why="It is needed for evapotranspiration and to check clocks by the sun. Enter: later.",
            check=_place,
        )
        if found["place"]:
            yield Question(
                "elevation", "How high is it, such as 250 m or 820 ft?", check=_elevation
            )
        zone = _zone_of_computer()
        yield Question(
            "time_zone",
            "Which time zone is it in?",
            zone or "UTC",
            why="It is the computer's." if zone else "The computer does not say which it is in.",
            check=lambda word: _zone(word, found["place"]),
        )
        yield Question(
            "backup_to",
            "Where do backups go? A folder on another disk or a network drive.",
            why="What was measured cannot be measured again. Enter: later.",
        )

    return script


def _some(word: str) -> str:
    if not word.strip():
        raise UserError("expected a name.")
    return word.strip()


def _currency(word: str) -> str:
    code = word.strip().upper()
    if not re.fullmatch(r"[A-Z]{3}", code):
        raise UserError(f"'{word}': expected a code of three letters, such as USD or CAD.")
    return code


def _place(word: str) -> str:
    """Return "latitude longitude" in degrees, or nothing."""
    if not word.strip():
        return ""
    read = _DEGREES.fullmatch(word.strip())
    if read is None:
        raise UserError(f"'{word}': expected latitude and longitude, such as 49.52, -98.01.")
    latitude = -float(read[1]) if (read[2] or "").upper() == "S" else float(read[1])
    longitude = -float(read[3]) if (read[4] or "").upper() == "W" else float(read[3])
    if abs(latitude) > 90 or abs(longitude) > 180:
        raise UserError(
            f"'{word}': expected a latitude up to 90 and a longitude up to 180 degrees."
        )
    return f"{latitude!r} {longitude!r}"


def _elevation(word: str) -> str:
    """Return meters."""
    if not word.strip():
        raise UserError("--place: give --elevation too, such as 250 m or 820 ft.")
    read = _HEIGHT.fullmatch(word.strip())
    if read is None:
        raise UserError(f"'{word}': expected a height above the sea such as 250 m or 820 ft.")
    meters = float(read[1]) * (FOOT_M if (read[2] or "m").lower().startswith("f") else 1.0)
    try:
        Place(latitude=0, longitude=0, elevation_m=meters, time_zone="UTC")
    except ValidationError:
        raise UserError(f"'{word}': expected -450 to 6,000 m.") from None
    return f"{meters:.0f}"


def _zone_of_computer() -> str | None:
    """Return the IANA name of the computer's own zone, None if it has none."""
    try:
        name = str(tzlocal.get_localzone_name())
    except (ZoneInfoNotFoundError, ValueError, LookupError):
        return None
    return name if name in available_timezones() else None


def _zone(word: str, place: str) -> str:
    near = {name.casefold(): name for name in available_timezones()}
    name = near.get(word.strip().replace(" ", "_").casefold())
    if name is None:
        raise UserError(f"'{word}': expected an IANA name such as America/Winnipeg.")
    if place:
        longitude = float(place.split()[1])
        hours = farm_file.standard_offset_h(Place(time_zone=name))
        apart = abs((longitude / 15 - hours + 12) % 24 - 12)
        if apart > FARTHEST_H:
            raise UserError(
                f"'{word}': its clock is {apart:.0f} hours from the sun at longitude {longitude:g}. "
                "Give the farm's own time zone; longitudes in the west are negative."
            )
    return name


def _farm_toml(found: Mapping[str, str]) -> str:
    now = datetime.now(tz=ZoneInfo(found["time_zone"]))
    lines = [
        f"# The farm file of Checkstrip, made on {now:%Y-%m-%d}.",
        "# 'checkstrip add' adds stations and probes to it.",
        "# 'checkstrip new --reference' prints every other key with examples.",
        "",
        "[farm]",
        f"name = {toml_value(found['name'])}",
        f"id = {toml_value(uuid4())}   # what a network of farms knows it by",
        f"currency = {toml_value(found['currency'])}",
        f"units = {toml_value(found['units'])}   # shown: metric, us or canada; stored values are SI",
        "",
        "[place]",
    ]
    if found["place"]:
        latitude, longitude = found["place"].split()
        lines += [
            f"latitude = {latitude}   # degrees, north positive",
            f"longitude = {longitude}   # degrees, east positive",
            f"elevation_m = {found['elevation']}",
        ]
    else:
        lines.append("# latitude, longitude and elevation_m are not given yet")
    lines.append(f"time_zone = {toml_value(found['time_zone'])}")
    if found["backup_to"]:
        lines += ["", "[backup]", f"to = {toml_value(found['backup_to'])}"]
    return "\n".join(lines) + "\n"


def _missing(found: Mapping[str, str]) -> list[str]:
    out = []
    if not found["place"]:
        out.append(f"  place: {farm_file.GIVE_PLACE}")
    if found["time_zone"] in ("UTC", "Etc/UTC"):
        out.append("  time zone: it is UTC. Is that the farm's? It is time_zone under [place].")
    if not found["backup_to"]:
        out.append('  backups: add [backup] with to = "a folder on another disk" to farm.toml.')
    return ["Still missing:", *out] if out else []


def _next(root: Path) -> list[str]:
    return [
        "Next:",
        f"  checkstrip add {root} FILE   for an export of each station and probe",
        "  fieldbook.xlsx: fill in fields, strips and seasons. The gray rows are examples.",
        f"  checkstrip once {root}   takes in the field book and later files",
    ]
