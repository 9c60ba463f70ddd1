"""The instruments of the farm file: stations, probes and their sensors, and when they stood where."""

from __future__ import annotations

from datetime import date
from itertools import pairwise
from typing import Annotated, Literal

from pydantic import Field, field_validator, model_validator

from schemas.farm.layout import Strict
from schemas.former_names import FORMER

Name = Annotated[str, Field(min_length=1, max_length=80, pattern=r"^[^\x00-\x1f/\\]+$")]
Side = Literal["treated", "check"]


class Spell(Strict):
    """From when to when an instrument stood at a strip."""

    field: Name | None = None
    strip: Side | None = None
    from_day: Annotated[date, Field(alias="from")]
    to_day: Annotated[date | None, Field(alias="to")] = None

    @model_validator(mode="after")
    def _check_days(self) -> Spell:
        if self.to_day is not None and self.to_day < self.from_day:
            raise ValueError(f"'to' ({self.to_day}) is before 'from' ({self.from_day})")
        return self


def _check_no_overlap(spells: tuple[Spell, ...]) -> None:
    ordered = sorted(spells, key=lambda s: s.from_day)
    for earlier, later in pairwise(ordered):
        if earlier.to_day is None or earlier.to_day >= later.from_day:
            raise ValueError(
                f"the spell from {earlier.from_day} still runs when that from {later.from_day} begins: "
                "give the first a 'to' before it"
            )


class Station(Strict):
    """[[stations]]: a weather station and its spells.

    ``latitude`` and ``longitude``: where it stands, if that is far from the farm's place; stations
    within ``neighbor_km`` ([rules]) are compared with each other.
    """

    name: Name
    ids: tuple[str, ...] = ()
    latitude: Annotated[float | None, Field(ge=-90, le=90)] = None
    longitude: Annotated[float | None, Field(ge=-180, le=180)] = None
    wind_height_m: Annotated[float, Field(ge=0.5, le=100)] = 2.0
    gauge_heated: bool = False
    spells: Annotated[tuple[Spell, ...], Field(min_length=1)]

    @field_validator("spells")
    @classmethod
    def _check_spells(cls, value: tuple[Spell, ...]) -> tuple[Spell, ...]:
        _check_no_overlap(value)
        return value

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


class Probe(Strict):
    """[[probes]]: a soil-moisture probe, its sensors and its spells in the soil."""

    name: Name
    ids: tuple[str, ...] = ()
    sensors: Annotated[tuple[Sensor, ...], Field(min_length=1)]
    spells: Annotated[tuple[Spell, ...], Field(min_length=1)]

    @field_validator("spells")
    @classmethod
    def _check_spells(cls, value: tuple[Spell, ...]) -> tuple[Spell, ...]:
        _check_no_overlap(value)
        for spell in value:
            if spell.field is None or spell.strip is None:
                raise ValueError("a probe's spell needs field and strip")
        return value

    @field_validator("sensors")
    @classmethod
    def _check_sensors(cls, value: tuple[Sensor, ...]) -> tuple[Sensor, ...]:
        depths = [sensor.depth_cm for sensor in value]
        twice = sorted({depth for depth in depths if depths.count(depth) > 1})
        if twice:
            raise ValueError(
                f"two sensors stand at {twice[0]:g} cm: one depth of a probe is one sensor; where "
                "another took its place, keep the one entry, or give the new one a probe of its own"
            )
        return value
