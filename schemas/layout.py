"""How one logger's export reads: a layout is data in ``farm.toml``, never code."""

from __future__ import annotations

import re
from difflib import get_close_matches
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

from schemas.quantities import BY_NAME, Instrument

STEP = re.compile(r"^\s*(\d+)\s*(s|sec|min|h|hour|day|d)\w*\s*$", re.IGNORECASE)
STEP_SECONDS = {"s": 1, "sec": 1, "min": 60, "h": 3600, "hour": 3600, "day": 86400, "d": 86400}
OFFSET = re.compile(r"^(?:Z|UTC|[+-]\d{2}:?\d{2})$")


class Strict(BaseModel):
    """Base of every part of the farm file: unknown keys are errors, values never change."""

    model_config = ConfigDict(extra="forbid", frozen=True, populate_by_name=True)


class TimeStamp(Strict):
    """Where the time stands and how it is written.

    ``columns``: one column, or two (date, time) that are joined by a space. ``format``: strptime
    codes, or ``epoch_s``/``epoch_ms``, or ``iso`` for ISO 8601 (a zone written in the stamp then
    counts, unless ``trust_zone`` is false). ``offset`` is fixed all year; ``zone`` is an IANA name
    whose daylight saving the logger follows.
    """

    columns: Annotated[tuple[str, ...], Field(min_length=1, max_length=3)]
    format: str = "iso"
    offset: str | None = None
    zone: str | None = None
    trust_zone: bool = False

    @field_validator("offset")
    @classmethod
    def _offset(cls, value: str | None) -> str | None:
        if value is not None and not OFFSET.match(value):
            raise ValueError("expected an offset from UTC such as -06:00 or Z")
        return value

    @model_validator(mode="after")
    def _one_zone(self) -> TimeStamp:
        if self.offset and self.zone:
            raise ValueError(
                "give offset (the same all year) or zone (with daylight saving), not both"
            )
        epoch = self.format.startswith("epoch")
        if not epoch and not self.trust_zone and not self.offset and not self.zone:
            raise ValueError("say the clock's offset (-06:00) or its zone (America/Winnipeg)")
        return self


class ColumnRule(Strict):
    """What one column of the file (or one series of a long file) holds.

    ``unit`` is what it is written in, any pint expression (``degF``, ``inch``, ``m^3/m^3``,
    ``0.1 mm``). A probe's column says ``depth_cm`` or ``sensor``. ``counts`` says how rain is
    written. ``names`` are other headings for the same column in other years.
    """

    quantity: str
    unit: str | None = None
    depth_cm: float | None = None
    sensor: str | None = None
    counts: Literal["increment", "total"] = "increment"
    rolls_at: float | None = None
    missing: tuple[str | float, ...] = ()
    names: tuple[str, ...] = ()
    low: float | None = None
    high: float | None = None
    optional: bool = False

    @field_validator("quantity")
    @classmethod
    def _known(cls, value: str) -> str:
        if value not in BY_NAME or value.startswith("rain_counter"):
            known = sorted(n for n in BY_NAME if not n.startswith("rain_counter"))
            near = get_close_matches(value, known, n=1)
            hint = f"did you mean {near[0]}? " if near else ""
            raise ValueError(f"{hint}expected one of {', '.join(known)}")
        return value

    @model_validator(mode="after")
    def _total_is_rain(self) -> ColumnRule:
        if self.counts == "total" and self.quantity != "rain":
            raise ValueError("counts = 'total' is only for rain")
        if self.rolls_at is not None and self.counts != "total":
            raise ValueError("rolls_at goes with counts = 'total'")
        return self

    @property
    def instrument(self) -> Instrument:
        """Whether a station or a probe reports it."""
        return BY_NAME[self.quantity].instrument


class Layout(Strict):
    """One export format.

    Rows of the file: ``skip`` lines of preamble (or none when ``header_starts`` finds the heading
    line by its first words), ``header`` heading rows joined by a space, ``after_header`` rows to
    pass over (units, aggregation). ``header = 0`` means that columns are named ``1``, ``2``, …

    Shapes: ``wide`` has a column a sensor. ``long`` has a row a sensor: either ``series_column``
    names the series and ``value_column`` holds its value (then ``columns`` is keyed by the series'
    name), or ``depth_column``/``sensor_column`` says which sensor the row is of (then ``columns``
    is keyed by heading, as in wide).

    A reading is stored under the end of its interval: ``stamp`` says which end the file writes.
    """

    format: Literal["delimited"] = "delimited"
    delimiter: str = ","
    decimal: Literal[".", ","] = "."
    thousands: Literal["", ",", ".", " ", "'"] = ""
    quote: str = '"'
    encoding: str = "utf-8"
    skip: Annotated[int, Field(ge=0)] = 0
    header: Annotated[int, Field(ge=0, le=5)] = 1
    header_starts: str | None = None
    after_header: Annotated[int, Field(ge=0)] = 0
    comment: str | None = None
    shape: Literal["wide", "long"] = "wide"
    series_column: str | None = None
    value_column: str | None = None
    depth_column: str | None = None
    depth_unit: str = "cm"
    sensor_column: str | None = None
    instrument_column: str | None = None
    time: TimeStamp
    stamp: Literal["end", "start"] = "end"
    step: str
    missing: tuple[str | float, ...] = ()
    columns: Annotated[dict[str, ColumnRule], Field(min_length=1)]

    @field_validator("delimiter")
    @classmethod
    def _delimiter(cls, value: str) -> str:
        value = {"tab": "\t", "space": " ", "comma": ",", "semicolon": ";", "pipe": "|"}.get(
            value, value
        )
        if len(value) != 1:
            raise ValueError("expected one character, or tab, space, comma, semicolon, pipe")
        return value

    @field_validator("step")
    @classmethod
    def _step(cls, value: str) -> str:
        match = STEP.match(value)
        if not match or int(match[1]) == 0:
            raise ValueError("expected a step such as '15 min', '1 h' or '1 day'")
        return value

    @model_validator(mode="after")
    def _shape(self) -> Layout:
        if self.shape == "long" and bool(self.series_column) != bool(self.value_column):
            raise ValueError("series_column and value_column go together")
        if self.shape == "long" and not (
            self.series_column or self.depth_column or self.sensor_column
        ):
            raise ValueError(
                "a long layout needs series_column and value_column, or depth_column, or sensor_column"
            )
        if self.shape == "wide" and (self.series_column or self.depth_column or self.sensor_column):
            raise ValueError(
                "series_column, depth_column and sensor_column belong to shape = 'long'"
            )
        by_row = bool(self.depth_column or self.sensor_column)
        for name, rule in self.columns.items():
            placed = rule.depth_cm is not None or rule.sensor is not None
            if (
                rule.instrument is Instrument.PROBE
                and not placed
                and not by_row
                and rule.quantity != "probe_battery"
            ):
                raise ValueError(f"column '{name}' is of a probe: say its depth_cm or its sensor")
        return self

    def _one_column_each(self) -> None:
        seen: dict[tuple[str, float | None, str | None], str] = {}
        for name, rule in self.columns.items():
            target = (rule.quantity, rule.depth_cm, rule.sensor)
            if target in seen:
                raise ValueError(
                    f"columns '{seen[target]}' and '{name}' both give {rule.quantity}; "
                    "where it is one column under two headings, put the second into names"
                )
            seen[target] = name

    @property
    def step_s(self) -> int:
        """The step in seconds."""
        match = STEP.match(self.step)
        assert match is not None
        return int(match[1]) * STEP_SECONDS[match[2].lower()]
