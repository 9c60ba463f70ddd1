"""How one logger's export reads: a layout is data in ``farm.toml``, never code."""

from __future__ import annotations

import re
from typing import Annotated, Any, Literal

from pydantic import Field, field_validator, model_validator

from schemas.farm.layout_open import fill_open_format
from schemas.farm.layout_parts import ColumnRule, Strict, TimeStamp
from schemas.quantities import Instrument

__all__ = ["ColumnRule", "Layout", "Strict", "TimeStamp"]

STEP = re.compile(r"^\s*(\d+)\s*(s|sec|min|h|hour|day|d)\w*\s*$", re.IGNORECASE)
STEP_SECONDS = {"s": 1, "sec": 1, "min": 60, "h": 3600, "hour": 3600, "day": 86400, "d": 86400}
DAY_S = 86400

Format = Literal[
    "delimited",
    "fixed",
    "json",
    "ndjson",
    "xlsx",
    "ghcn_daily",
    "uscrn_daily",
    "uscrn_hourly",
    "sensorthings",
]


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

    Formats: ``delimited`` text; ``fixed`` width (``fields`` gives a column's first and last
    character, from 1); ``json`` (one document: ``records`` is the path to its list of records, or
    to a table of lists, empty for the whole) and ``ndjson`` (a record a line), where a column is
    named by its path (``air.temp``); ``xlsx`` (``sheet``, else the first); the open formats, which
    need no more than their name (see layout_open). Any of them may come gzipped or zipped;
    ``members`` says which files of an archive are meant.
    """

    format: Format = "delimited"
    fields: dict[str, tuple[Annotated[int, Field(ge=1)], Annotated[int, Field(ge=1)]]] = Field(
        default_factory=dict
    )
    records: str = ""
    sheet: str | None = None
    members: str = "*"
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

    @model_validator(mode="before")
    @classmethod
    def _fill_open_format(cls, content: Any) -> Any:
        return fill_open_format(content)

    @field_validator("delimiter")
    @classmethod
    def _check_delimiter(cls, value: str) -> str:
        value = {"tab": "\t", "space": " ", "comma": ",", "semicolon": ";", "pipe": "|"}.get(
            value, value
        )
        if len(value) != 1:
            raise ValueError("expected one character, or tab, space, comma, semicolon, pipe")
        return value

    @field_validator("step")
    @classmethod
    def _check_step(cls, value: str) -> str:
        match = STEP.match(value)
        if not match or int(match[1]) == 0:
            raise ValueError("expected a step such as '15 min', '1 h' or '1 day'")
        return value

    @model_validator(mode="after")
    def _check_zone(self) -> Layout:
        # a daily record without a zone keeps the days of the farm
        if not self.time.has_zone and self.step_s < DAY_S:
            raise ValueError("time: say the clock's offset (-06:00) or its zone (America/Winnipeg)")
        return self

    @model_validator(mode="after")
    def _check_fields(self) -> Layout:
        if (self.format == "fixed") != bool(self.fields):
            raise ValueError("fields (first and last character) and format = 'fixed' go together")
        for name, (first, last) in self.fields.items():
            if last < first:
                raise ValueError(f"fields: the last character of '{name}' is before its first")
        return self

    @model_validator(mode="after")
    def _check_targets(self) -> Layout:
        seen: dict[tuple[str, str, float | None, str | None], str] = {}
        for name, rule in self.columns.items():
            target = (rule.quantity, rule.counts, rule.depth_cm, rule.sensor)
            if target in seen:
                raise ValueError(
                    f"columns '{seen[target]}' and '{name}' both give {rule.quantity}; "
                    "where it is one column under two headings, put the second into names"
                )
            seen[target] = name
        return self

    @model_validator(mode="after")
    def _check_shape(self) -> Layout:
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

    @property
    def step_s(self) -> int:
        """Return the step in seconds."""
        match = STEP.match(self.step)
        assert match is not None
        return int(match[1]) * STEP_SECONDS[match[2].lower()]
