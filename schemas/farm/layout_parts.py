"""The parts of a layout: its time stamp, its columns."""

from __future__ import annotations

import re
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

from schemas.did_you_mean import nearest
from schemas.flags import Meaning
from schemas.quantities import AMOUNTS, BESIDE, BY_NAME, COUNTED, Instrument

OFFSET = re.compile(r"^(?:Z|UTC|[+-]\d{2}:?\d{2})$")


class Strict(BaseModel):
    """Base of every part of the farm file: unknown keys are errors, values never change."""

    model_config = ConfigDict(extra="forbid", frozen=True, populate_by_name=True)


class TimeStamp(Strict):
    """Where the time stands and how it is written.

    ``columns``: one column, or several (date, time) that are joined by a space. ``format``: strptime
    codes, or ``epoch_s``/``epoch_ms``, or ``iso`` for ISO 8601. Beside codes, parted by a space, it
    may have ``hours`` (hours since midnight as a decimal number: 0.5 is 00:30) and ``days`` (day of
    the year with its fraction: 32.5 is noon of February 1), as in ``%Y %j hours`` and ``%Y days``.
    ``offset`` is fixed all year; ``zone``
    is an IANA name whose daylight saving the logger follows. A zone that a stamp itself names
    counts if ``trust_zone`` is true, and is ignored if it is false; if it is not given, a stamp
    that names another zone than ``offset`` or ``zone`` is rejected.
    """

    columns: Annotated[tuple[str, ...], Field(min_length=1, max_length=6)]
    format: str = "iso"
    offset: str | None = None
    zone: str | None = None
    trust_zone: bool | None = None

    @field_validator("offset")
    @classmethod
    def _check_offset(cls, value: str | None) -> str | None:
        if value is not None and not OFFSET.match(value):
            raise ValueError("expected an offset from UTC such as -06:00 or Z")
        return value

    @model_validator(mode="after")
    def _check_one_zone(self) -> TimeStamp:
        if self.offset and self.zone:
            raise ValueError(
                "give offset (the same all year) or zone (with daylight saving), not both"
            )
        return self

    @property
    def has_zone(self) -> bool:
        """Return whether it says, or the stamps say, which instant a stamp is."""
        return bool(self.offset or self.zone or self.trust_zone or self.format.startswith("epoch"))


class Fact(Strict):
    """Where a fact is in the lines above the headings.

    ``line`` and ``word``: the word of that number in the line of that number (both from 1; words
    are parted by blanks, commas, semicolons or tabs). Or ``after``: what follows this text, to the end of the cell.
    """

    line: Annotated[int, Field(ge=1)] | None = None
    word: Annotated[int, Field(ge=1)] | None = None
    after: str | None = None

    @model_validator(mode="after")
    def _check_where(self) -> Fact:
        by_number = self.line is not None and self.word is not None
        if by_number == (self.after is not None):
            raise ValueError("say line and word (both from 1), or after (the text before the fact)")
        return self


class ColumnRule(Strict):
    """What one column of the file (or one series of a long file) holds.

    ``unit`` is what it is written in, any pint expression (``degF``, ``inch``, ``m^3/m^3``,
    ``0.1 mm``). A probe's column says ``depth_cm`` or ``sensor``. Where one file has several
    instruments side by side, ``station`` or ``probe`` (a name or an id) says whose column it is.
    ``counts`` says how rain, or the volume of a water meter, is written. ``names`` are other headings
    for the same column in other years. ``trust_unit = false`` says that the unit in the file's heading
    or units row is wrong: ``unit`` counts. ``flags`` says what each flag of the network means; they stand in the column
    ``flag``, or behind the number (``12.3T``) if none is named.
    """

    quantity: str
    unit: str | None = None
    station: str | None = None
    probe: str | None = None
    depth_cm: float | None = None
    sensor: str | None = None
    counts: Literal["increment", "total"] = "increment"
    rolls_at: float | None = None
    missing: tuple[str | float, ...] = ()
    names: tuple[str, ...] = ()
    low: float | None = None
    high: float | None = None
    optional: bool = False
    trust_unit: bool = True
    flag: str | None = None
    flags: dict[str, Meaning] = Field(default_factory=dict)

    @field_validator("quantity")
    @classmethod
    def _check_quantity(cls, value: str) -> str:
        value = value.replace("vapor_", "vapour_")
        if value not in BY_NAME or value in BESIDE:
            known = sorted(n for n in BY_NAME if n not in BESIDE)
            near = nearest(value, known, likeness=0.6)
            hint = f"did you mean {near[0]}? " if near else ""
            raise ValueError(f"{hint}expected one of {', '.join(known)}")
        return value

    @model_validator(mode="after")
    def _check_counts(self) -> ColumnRule:
        if self.counts == "total" and self.quantity not in COUNTED:
            raise ValueError(f"counts = 'total' is only for {' and '.join(COUNTED)}")
        if self.rolls_at is not None and self.counts != "total":
            raise ValueError("rolls_at goes with counts = 'total'")
        return self

    @model_validator(mode="after")
    def _check_flags(self) -> ColumnRule:
        daily_rain = self.quantity == "rain" and self.counts == "increment"
        if "accumulated" in self.flags.values() and not daily_rain:
            raise ValueError("flags: 'accumulated' (rain of several days) is only for rain")
        if "trace" in self.flags.values() and self.quantity not in AMOUNTS:
            raise ValueError(f"flags: 'trace' is only for {' and '.join(AMOUNTS)}")
        return self

    @model_validator(mode="after")
    def _check_owner(self) -> ColumnRule:
        other = Instrument.STATION if self.instrument is Instrument.PROBE else Instrument.PROBE
        if getattr(self, other.value) is not None:
            raise ValueError(
                f"{self.quantity} is of a {self.instrument}: name it as {self.instrument}"
            )
        return self

    @property
    def owner(self) -> str | None:
        """Return the station or probe that it names, None if its rows or its source do."""
        return self.station or self.probe

    @property
    def instrument(self) -> Instrument:
        """Return whether a station or a probe reports it."""
        return BY_NAME[self.quantity].instrument
