"""The instruments of the farm file: stations, probes and their sensors, and when they stood where."""

from __future__ import annotations

from datetime import date
from itertools import pairwise
from typing import Annotated, Self

from pydantic import AfterValidator, Field, field_validator, model_validator

from schemas.did_you_mean import nearest
from schemas.farm.layout import Strict
from schemas.former_names import FORMER
from schemas.shared_columns import SIDES

Name = Annotated[
    str,
    Field(
        min_length=1,
        max_length=80,
        pattern=r"^[^\x00-\x1f/\\]+$",
        description="a name of 1 to 80 characters in one line, without / and \\",
    ),
]
SPELLS = 'spells = [{ field = "Home", strip = "treated", from = 2024-04-20 }]'
FIELDS = 'fields = ["Home", "River"]'
ALL_FIELDS = "all"
SENSORS = "sensors = [{ depth_cm = 10 }, { depth_cm = 30 }]"
_SLIP = 0.75  # letters in common from which a single word is a slip of the pen


def _strip_name(name: str) -> str:
    """Take a strip's name; raise ValueError at a misspelled treated or check."""
    lower = name.lower()
    if lower in SIDES:
        return lower
    if name.isalpha() and (meant := nearest(name, SIDES, likeness=_SLIP)):
        raise ValueError(f"write '{meant[0]}', or a name of the field book's sheet strips")
    return name


Strip = Annotated[Name, AfterValidator(_strip_name)]


class Spell(Strict):
    """When an instrument stood at a strip.

    ``fields`` of a station: those whose weather it gives where they have no station of their own,
    or that one lacks; "all" is the whole farm.
    ``irrigated_area_ha``: of a station with a water meter, the area that its water is put on. Without
    ``strip`` it waters all.
    """

    field: Name | None = None
    fields: Annotated[tuple[Name, ...], Field(examples=[FIELDS])] = ()
    strip: Strip | None = None
    irrigated_area_ha: Annotated[float | None, Field(gt=0, le=100000)] = None
    from_day: Annotated[date, Field(alias="from")]
    to_day: Annotated[date | None, Field(alias="to")] = None

    @field_validator("fields", mode="before")
    @classmethod
    def _take_all(cls, value: object) -> object:
        return (ALL_FIELDS,) if value == ALL_FIELDS else value

    @model_validator(mode="after")
    def _check_days(self) -> Spell:
        if self.to_day is not None and self.to_day < self.from_day:
            raise ValueError(f"'to' ({self.to_day}) is before 'from' ({self.from_day})")
        if self.irrigated_area_ha is not None and self.field is None:
            raise ValueError("irrigated_area_ha: say the field that is irrigated")
        return self


def _check_no_overlap(spells: tuple[Spell, ...]) -> None:
    ordered = sorted(spells, key=lambda s: s.from_day)
    for earlier, later in pairwise(ordered):
        if earlier.to_day is None or earlier.to_day >= later.from_day:
            raise ValueError(
                f"the spell from {earlier.from_day} still runs when that from {later.from_day} begins: "
                "give the first a 'to' before it"
            )


class Instrument(Strict):
    """What a station and a probe have in common: what it is called, and where it stood when.

    ``names``, in place of ``name``, are those of several that are alike in all else. ``field``,
    ``strip``, ``from`` and ``to`` may stand beside the name in place of its only spell
    (``short_form``).
    """

    name: Name = ""
    names: tuple[Name, ...] = ()
    ids: tuple[str, ...] = ()
    spells: Annotated[tuple[Spell, ...], Field(min_length=1, examples=[SPELLS])]

    @field_validator("spells")
    @classmethod
    def _check_spells(cls, value: tuple[Spell, ...]) -> tuple[Spell, ...]:
        _check_no_overlap(value)
        return value

    @model_validator(mode="after")
    def _check_names(self) -> Self:
        if bool(self.name) == bool(self.names):
            raise ValueError(
                'give name = "west", or names = ["west", "east"] for several that are alike'
            )
        if self.names and self.ids:
            raise ValueError("ids are of one instrument: give it a block of its own with name")
        return self

    def each(self) -> tuple[Self, ...]:
        """Return the instruments of the block, one for each name."""
        return tuple(self.model_copy(update={"name": n, "names": ()}) for n in self.names) or (
            self,
        )


class Station(Instrument):
    """[[stations]]: a weather station and its spells.

    ``fields = ["A", "B"]`` or ``fields = "all"`` (beside the name, or in a spell): it also serves
    these fields, wherever it stands.

    ``latitude`` and ``longitude``: where it stands, if that is far from the farm's place; stations
    within ``neighbor_km`` ([rules]) are compared with each other.
    """

    latitude: Annotated[float | None, Field(ge=-90, le=90)] = None
    longitude: Annotated[float | None, Field(ge=-180, le=180)] = None
    wind_height_m: Annotated[float, Field(ge=0.5, le=100)] = 2.0
    gauge_heated: bool = False

    @model_validator(mode="after")
    def _check_place(self) -> Station:
        if (self.latitude is None) != (self.longitude is None):
            raise ValueError("give latitude and longitude, both or neither")
        return self


class Sensor(Strict):
    """One sensor of a probe."""

    depth_cm: Annotated[float, Field(ge=0, le=1000)]
    name: str | None = None
    from_day: Annotated[date | None, Field(alias="from")] = None
    to_day: Annotated[date | None, Field(alias="to")] = None
    drained_upper_limit_pct: Annotated[float | None, Field(ge=0, le=100)] = None
    lower_limit_pct: Annotated[float | None, Field(ge=0, le=100)] = None
    calibration: tuple[float, ...] = ()

    @model_validator(mode="before")
    @classmethod
    def _rename_former_keys(cls, value: object) -> object:
        """Take the former name of a key as today's, unless both are given."""
        if not isinstance(value, dict):
            return value
        today = FORMER["sensor"]
        return {
            key if today.get(key) in value else today.get(key, key): v for key, v in value.items()
        }


def _check_depths(sensors: tuple[Sensor, ...]) -> tuple[Sensor, ...]:
    depths = [sensor.depth_cm for sensor in sensors]
    twice = sorted({depth for depth in depths if depths.count(depth) > 1})
    if twice:
        raise ValueError(
            f"two sensors stand at {twice[0]:g} cm: one depth of a probe is one sensor; where "
            "another took its place, keep the one entry, or give the new one a probe of its own"
        )
    return sensors


Sensors = Annotated[
    tuple[Sensor, ...], Field(min_length=1, examples=[SENSORS]), AfterValidator(_check_depths)
]


class Probe(Instrument):
    """[[probes]]: a soil-moisture probe, its sensors and its spells in the soil."""

    sensors: Sensors

    @field_validator("spells")
    @classmethod
    def _check_places(cls, value: tuple[Spell, ...]) -> tuple[Spell, ...]:
        for spell in value:
            if spell.field is None or spell.strip is None:
                raise ValueError("a probe's spell needs field and strip")
            if spell.fields:
                raise ValueError("a probe is in one strip; 'fields' is for stations")
            if spell.irrigated_area_ha is not None:
                raise ValueError("irrigated_area_ha is of a station with a water meter")
        return value


class _Defaults(Strict):
    """What holds for every instrument of a kind, unless its own block says otherwise."""

    field: Name | None = None
    strip: Strip | None = None
    from_day: Annotated[date | None, Field(alias="from")] = None
    to_day: Annotated[date | None, Field(alias="to")] = None


class StationDefaults(_Defaults):
    """[station_defaults]: what holds for every station."""

    wind_height_m: Annotated[float, Field(ge=0.5, le=100)] = 2.0
    gauge_heated: bool = False


class ProbeDefaults(_Defaults):
    """[probe_defaults]: what holds for every probe."""

    sensors: Sensors | None = None
