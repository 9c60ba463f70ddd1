"""How one logger's export reads: a layout is data in ``farm.toml``, never code."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable
from typing import Annotated, Any, Literal

from pydantic import Field, PrivateAttr, field_validator, model_validator

from schemas.farm import column_patterns
from schemas.farm.layout_parts import ColumnRule, Fact, Strict, TimeStamp
from schemas.farm.open_formats import fill_open_format
from schemas.flags import Meaning
from schemas.quantities import AMOUNTS, OF_WHOLE_PROBE, Instrument

__all__ = ["ColumnRule", "Fact", "Layout", "Strict", "TimeStamp"]

STEP = re.compile(r"^\s*(\d+)\s*(s|sec|min|h|hour|day|d)\w*\s*$", re.IGNORECASE)
STEP_SECONDS = {"s": 1, "sec": 1, "min": 60, "h": 3600, "hour": 3600, "day": 86400, "d": 86400}
DAY_S = 86400

# Keys of layouts and of their columns that older versions did not have.
ADDED_LATER = frozenset(
    ("facts", "text_last", "flag", "flags", "flag_column", "rain_days_column", "station", "probe")
)

Stamp = Literal["end", "start", "middle", "instant"]
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
# Of these a reading ends with its line: one that goes on is whole up to its last line's end.
BY_LINES = ("delimited", "fixed", "ndjson", "ghcn_daily", "uscrn_daily", "uscrn_hourly")


class Layout(Strict):
    """One export format.

    Rows of the file: ``skip`` lines of preamble (or none when ``header_starts`` finds the heading
    line by its first words), ``header`` heading rows joined by a space, ``after_header`` rows to
    pass over (units, aggregation). ``header = 0`` means that columns are named ``1``, ``2``, …

    Shapes: ``wide`` has a column a sensor. ``long`` has a row a sensor: either ``series_column``
    names the series and ``value_column`` holds its value (then ``columns`` is keyed by the series'
    name), or ``depth_column``/``sensor_column`` says which sensor the row is of (then ``columns``
    is keyed by heading, as in wide). A depth may carry its own unit ('7.5 cm') and be a range
    ('0-10 cm': its middle). ``instrument_column`` says which station or probe a row is of; two
    columns (plot and logger) are joined by a space. ``facts`` says where the depth, the sensor or
    the instrument stands above the headings, if a file says it only once.
    A column ``P{probe}_VWC_20`` is one of each probe, its word being the probe's name or one of its
    ids; ``{station}`` likewise.
    ``text_last``: the last column is free text, in which the delimiter means nothing.
    ``flag_column`` has the flag of all values of its row that have none of their own (see
    ColumnRule); ``flags`` says what the flags of all columns mean. ``rain_days_column`` has the
    number of days that the rain of its row is the total of.

    A reading is stored under the end of its interval. ``stamp`` says what the file writes: the
    ``end``, the ``start`` or the ``middle`` of the interval; or, with ``instant``, the moment of a
    value that is no mean (its amounts are those of the step that ends there).

    Formats: ``delimited`` text; ``fixed`` width (``fields`` gives a column's first and last
    character, from 1); ``json`` (one document: ``records`` is the path to its list of records, or
    to a table of lists, empty for the whole) and ``ndjson`` (a record a line), where a column is
    named by its path (``air.temp``); ``xlsx`` (``sheet``, else the first); the open formats, which
    need no more than their name (see fill_open_format). Any of them may come gzipped or zipped;
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
    flag_column: str | None = None
    rain_days_column: str | None = None
    flags: dict[str, Meaning] = Field(default_factory=dict)
    instrument_column: str | Annotated[tuple[str, ...], Field(min_length=1)] | None = None
    facts: dict[Literal["instrument", "depth", "sensor"], Fact] = Field(default_factory=dict)
    text_last: bool = False
    time: TimeStamp
    stamp: Stamp = "end"
    step: str
    missing: tuple[str | float, ...] = ()
    columns: Annotated[dict[str, ColumnRule], Field(min_length=1)]
    # Columns of each instrument as the file has them, and those of ``columns`` that they became.
    _patterns: dict[str, ColumnRule] = PrivateAttr(default_factory=dict)
    _made: dict[str, ColumnRule] = PrivateAttr(default_factory=dict)

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
    def _check_stamp(self) -> Layout:
        if self.format == "sensorthings" and self.stamp == "middle":
            raise ValueError("stamp: a SensorThings time names its interval: use end or start")
        return self

    @model_validator(mode="after")
    def _check_targets(self) -> Layout:
        seen: dict[tuple[object, ...], str] = {}
        for name, rule in self.columns.items():
            target = (rule.quantity, rule.counts, rule.owner, rule.depth_cm, rule.sensor)
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
        by_row = bool(self.depth_column or self.sensor_column) or bool(
            {"depth", "sensor"} & set(self.facts)
        )
        for name, rule in self.columns.items():
            placed = rule.depth_cm is not None or rule.sensor is not None
            if (
                rule.instrument is Instrument.PROBE
                and not placed
                and not by_row
                and rule.quantity not in OF_WHOLE_PROBE
            ):
                raise ValueError(f"column '{name}' is of a probe: say its depth_cm or its sensor")
        return self

    @model_validator(mode="after")
    def _check_facts(self) -> Layout:
        told = {
            "instrument": self.instrument_columns,
            "depth": self.depth_column,
            "sensor": self.sensor_column,
        }
        for fact in self.facts:
            if told[fact]:
                raise ValueError(f"facts.{fact} and {fact}_column say the same: keep one of them")
        if self.facts and self.format not in ("delimited", "fixed", "xlsx"):
            raise ValueError("facts (lines above the headings) are of text files and workbooks")
        if self.text_last and self.format != "delimited":
            raise ValueError("text_last is for delimited text")
        return self

    @model_validator(mode="after")
    def _check_patterns(self) -> Layout:
        for name, rule in self.columns.items():
            if wrong := column_patterns.fault(name, rule):
                raise ValueError(wrong)
            if self.format == "fixed" and column_patterns.PLACEHOLDER.search(name):
                raise ValueError(
                    f"column '{name}': a fixed field is of one instrument; name it whole"
                )
        return self

    def for_instruments(
        self, stations: Iterable[column_patterns.Named], probes: Iterable[column_patterns.Named]
    ) -> Layout:
        """Return the layout with a column a pattern and instrument; itself if it has no patterns."""
        patterns = self._patterns or {
            name: rule
            for name, rule in self.columns.items()
            if column_patterns.PLACEHOLDER.search(name)
        }
        plain = {n: r for n, r in self.columns.items() if n not in patterns and n not in self._made}
        made = column_patterns.written_out(patterns, stations, probes, plain)
        if not made:
            return self
        found = self.model_copy(update={"columns": plain | made})
        found._patterns, found._made = patterns, made
        return found

    def lacking(self, found: Collection[str]) -> list[str]:
        """Return the columns that a file should have and that are not among those ``found``.

        Of an instrument's columns that a pattern gives, those of one that has others in the file.
        """
        there = {self._made[name].owner for name in found if name in self._made}
        return [
            name
            for name, rule in self.columns.items()
            if name not in found
            and (rule.owner in there if name in self._made else not rule.optional)
        ]

    def of_nobody(self, headings: Iterable[str]) -> list[str]:
        """Return headings that fit a pattern with a word that no instrument has."""
        if not self._patterns:
            return []
        return column_patterns.of_nobody(headings, self._patterns, self._made)

    @model_validator(mode="after")
    def _check_flags(self) -> Layout:
        if self.flag_column and not (self.flags or any(r.flags for r in self.columns.values())):
            raise ValueError("flag_column: say what its flags mean, as in flags = {M = 'missing'}")
        for name, rule in self.columns.items():
            if rule.flag and not self.flags_of(name):
                raise ValueError(
                    f"column '{name}': say what its flags mean, as in flags = {{M = 'missing'}}"
                )
            if rule.flag and self.series_column:
                raise ValueError("a long layout of named series has one flag_column for all")
        return self

    def flags_of(self, name: str) -> dict[str, str]:
        """Return flag → meaning for one of ``columns``.

        What the layout says for all columns counts for a column only as far as it can mean it: rain
        of several days is of rain alone, a trace of amounts.
        """
        rule = self.columns[name]
        shared: dict[str, str] = dict(self.flags)
        for flag, meaning in self.flags.items():
            no_rain = meaning == "accumulated" and (rule.quantity, rule.counts) != (
                "rain",
                "increment",
            )
            if no_rain or (meaning == "trace" and rule.quantity not in AMOUNTS):
                shared[flag] = "suspect"
        return shared | rule.flags

    @property
    def instrument_columns(self) -> tuple[str, ...]:
        """Return the columns that together say which instrument a row is of."""
        named = self.instrument_column
        return (named,) if isinstance(named, str) else named or ()

    @property
    def names_instruments(self) -> bool:
        """Return whether the file itself says which instrument it, or a row, is of."""
        return bool(self.instrument_columns) or "instrument" in self.facts

    def as_it_reads(self) -> dict[str, Any]:
        """Return all that decides how a file is read, as plain values.

        Keys that were added to layouts later are left out while they say nothing, so that a new
        version of the program reads no file again for them.
        """
        content = self.model_dump(mode="json")
        for part in (content, *content["columns"].values()):
            for key in [k for k, v in part.items() if not v and k in ADDED_LATER]:
                del part[key]
        return content

    @property
    def end_after_s(self) -> float:
        """Return the seconds from a stamp to the end of its interval."""
        return self.step_s * {"start": 1.0, "middle": 0.5}.get(self.stamp, 0.0)

    def owners(self, kind: Instrument) -> frozenset[str | None]:
        """Return the instruments of a kind that its columns name; None for those that name none."""
        return frozenset(r.owner for r in self.columns.values() if r.instrument is kind)

    @property
    def step_s(self) -> int:
        """Return the step in seconds."""
        match = STEP.match(self.step)
        assert match is not None
        return int(match[1]) * STEP_SECONDS[match[2].lower()]
