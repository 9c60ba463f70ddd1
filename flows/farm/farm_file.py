"""Read ``farm.toml``: a checked ``Farm``, or one plain list of what is wrong with it."""

import hashlib
import json
import tomllib
from datetime import datetime, timedelta
from functools import lru_cache
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from flows.base import units
from flows.base.errors import UserError
from flows.base.plain_text import counted
from flows.farm import fault_words
from flows.farm.bounds import Bounds
from schemas.farm.farm import Farm, Place, Source
from schemas.farm.layout import Layout
from schemas.quantities import BY_NAME, OF_WHOLE_PROBE

# The message for a farm without coordinates.
NO_PLACE = (
    "The farm has no place: evapotranspiration, uptake by day and night and the checks by the sun "
    "are not made."
)
GIVE_PLACE = "Give latitude, longitude and elevation_m under [place] in farm.toml."
# Older versions made a second row of such columns: what they landed is read again.
WHOLE_PROBE_ONCE = "columns of the whole probe make no second row"


def load(path: Path) -> Farm:
    """Return the farm of the file at ``path``.

    Raises UserError with every fault named: its key, what was found, what was expected, and for a
    misspelt key the nearest right one.
    """
    try:
        content = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except FileNotFoundError:
        raise UserError(
            f"There is no farm file at {path}. 'checkstrip new {path.parent}' makes one."
        ) from None
    except UnicodeDecodeError as error:
        raise UserError(f"{path} is not written in UTF-8: {error}") from None
    except tomllib.TOMLDecodeError as error:
        raise UserError(f"{path} is not valid TOML: {error}") from None
    farm = parse(content, str(path))
    if wrong := Bounds.of(path.parent).paths_outside(farm):
        raise _faulty(str(path), wrong)
    return farm


def parse(content: dict[str, Any], where: str) -> Farm:
    """Return the farm of the TOML's content; ``where`` names the file in the error."""
    try:
        farm = Farm.model_validate(content)
    except ValidationError as error:
        raise _faulty(where, fault_words.sentences(error.errors(), content)) from None
    if wrong := _wrong_units(farm):
        raise _faulty(where, wrong)
    return farm


def _faulty(where: str, faults: list[str]) -> UserError:
    count = "a fault" if len(faults) == 1 else counted(len(faults), "fault")
    return UserError("\n  ".join([f"{where} has {count}:", *faults]))


def _wrong_units(farm: Farm) -> list[str]:
    """Return a sentence for each column of a layout whose unit does not measure its quantity."""
    wrong = []
    for name, layout in farm.layouts.items():
        for column, rule in layout.columns.items():
            try:
                units.line(rule.unit or BY_NAME[rule.quantity].unit, BY_NAME[rule.quantity].unit)
            except ValueError as error:
                wrong.append(f"layouts.{name}.columns.{column}.unit: {error}")
    return wrong


def setup_fingerprint(farm: Farm, source: str) -> str:
    """Return the fingerprint of what decides how a source's deliveries are read.

    It covers the source's own keys, its layout, the instruments' names, ids, spells and sensors,
    and when the farm's day starts; not the schedules or the display. When it changes, the
    deliveries are read again.
    """
    return _fingerprints(_ThisFarm(farm))[source]


class _ThisFarm:
    """A farm as a key of a cache: this object, not an equal one (which is slow to compare)."""

    def __init__(self, farm: Farm) -> None:
        self.farm = farm

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _ThisFarm) and other.farm is self.farm

    def __hash__(self) -> int:
        return id(self.farm)


# Of a spell: what is made of readings, not how they are read.
_NO_PLACE = {"fields", "irrigated_area_ha"}


@lru_cache(maxsize=1)
def _fingerprints(key: _ThisFarm) -> dict[str, str]:
    return {source.name: _fingerprint(key.farm, source) for source in key.farm.sources}


def _fingerprint(farm: Farm, chosen: Source) -> str:
    reading = chosen.model_dump(mode="json", include={"layout", "station", "probe", "glob"})
    layout = farm.layouts[chosen.layout].as_it_reads()
    side_by_side = any(rule.owner for rule in farm.layouts[chosen.layout].columns.values())
    stations = [
        s.model_dump(
            mode="json",
            include={"name": True, "ids": True, "spells": True},
            exclude={"spells": {"__all__": _NO_PLACE}},
        )
        for s in farm.stations
        if side_by_side or chosen.station in (None, s.name)
    ]
    probes = [
        p.model_dump(
            mode="json",
            exclude={
                "names": True,
                "spells": {"__all__": _NO_PLACE},
                "sensors": {
                    "__all__": {"drained_upper_limit_pct", "lower_limit_pct", "calibration"}
                },
            },
        )
        for p in farm.probes
        if side_by_side or chosen.probe in (None, p.name)
    ]
    day = [standard_offset_h(farm.place), str(farm.place.day_starts)]
    once = [WHOLE_PROBE_ONCE] if _has_column_of_whole_probe(farm.layouts[chosen.layout]) else []
    text = json.dumps([reading, layout, stations, probes, day, *once], sort_keys=True)
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def _has_column_of_whole_probe(layout: Layout) -> bool:
    return any(
        rule.quantity in OF_WHOLE_PROBE and rule.depth_cm is None and rule.sensor is None
        for rule in layout.columns.values()
    )


def standard_offset_h(place: Place) -> float:
    """Return the standard time of the place minus UTC, in hours.

    The zone's current standard offset: of the two offsets of the year the one without daylight
    saving, which for zones with negative saving (Europe/Dublin) is the smaller.
    """
    offsets = [
        (moment.utcoffset() or timedelta()) - max(moment.dst() or timedelta(), timedelta())
        for moment in (datetime(2024, month, 1, 12, tzinfo=place.zone) for month in (1, 7))
    ]
    return min(offsets).total_seconds() / 3600
