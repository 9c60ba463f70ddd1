"""How one logger's export reads: a layout is data in ``farm.toml``, never code."""

from __future__ import annotations

import re
from typing import Annotated, Any, Literal

from pydantic import Field, field_validator, model_validator

from schemas.farm.layout_parts import ColumnRule, Strict, TimeStamp
from schemas.quantities import Instrument

__all__ = ["ColumnRule", "Layout", "Strict", "TimeStamp"]

STEP = re.compile(r"^\s*(\d+)\s*(s|sec|min|h|hour|day|d)\w*\s*$", re.IGNORECASE)
STEP_SECONDS = {"s": 1, "sec": 1, "min": 60, "h": 3600, "hour": 3600, "day": 86400, "d": 86400}
DAY_S = 86400

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


class Layout(Strict):
    """One export format.

    Rows of the file: ``skip`` lines of preamble (or none when ``header_starts`` finds the heading
    line by its first words), ``header`` heading rows joined by a space, ``after_header`` rows to
    pass over (units, aggregation). ``header = 0`` means that columns are named ``1``, ``2``, …

    Shapes: ``wide`` has a column a sensor. ``long`` has a row a sensor: either ``series_column``
    names the series and ``value_column`` holds its value (then ``columns`` is keyed by the series'
    name), or ``depth_column``/``sensor_column`` says which sensor the row is of (then ``columns``
    is keyed by heading, as in wide).

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
    instrument_column: str | None = None
    time: TimeStamp
    stamp: Stamp = "end"
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
    def _check_stamp(self) -> Layout:
        if self.format == "sensorthings" and self.stamp == "middle":
            raise ValueError("stamp: a SensorThings time names its interval: use end or start")
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
    def end_after_s(self) -> float:
        """Return the seconds from a stamp to the end of its interval."""
        return self.step_s * {"start": 1.0, "middle": 0.5}.get(self.stamp, 0.0)

    @property
    def step_s(self) -> int:
        """Return the step in seconds."""
        match = STEP.match(self.step)
        assert match is not None
        return int(match[1]) * STEP_SECONDS[match[2].lower()]


# What a farm file need not say because the open, public format says it. Sources: GHCN-Daily readme
# (NOAA NCEI), sections III (format of ``.dly`` files); USCRN readmes of the products daily01 and
# hourly02 (NOAA NCEI; an hour is stamped at its end in UTC, a day is that of local standard time);
# OGC 18-088 SensorThings API part 1 (ISO 8601 times with their zone).
DEPTHS_CM = (5, 10, 20, 50, 100)
USCRN_MISSING = (-9999, -99999)
SOIL_MISSING = (-99, -9999)


def _column(quantity: str, unit: str, **more: Any) -> dict[str, Any]:
    return {"quantity": quantity, "unit": unit, "optional": True} | more


GHCN_DAILY: dict[str, Any] = {
    "time": {"columns": ["DATE"], "format": "%Y%m%d"},
    "stamp": "start",
    "step": "1 day",
    "shape": "long",
    "series_column": "ELEMENT",
    "value_column": "VALUE",
    "columns": {
        "TMAX": _column("air_temp_max", "0.1 degC"),
        "TMIN": _column("air_temp_min", "0.1 degC"),
        "TAVG": _column("air_temp", "0.1 degC"),
        "PRCP": _column("rain", "0.1 mm"),
        "SNWD": _column("snow_depth", "mm"),
        "AWND": _column("wind_speed", "0.1 m/s"),
        "WSFG": _column("wind_gust", "0.1 m/s"),
        "RHAV": _column("relative_humidity", "percent"),
        "RHMX": _column("relative_humidity_max", "percent"),
        "RHMN": _column("relative_humidity_min", "percent"),
    },
}

USCRN_DAILY: dict[str, Any] = {
    "time": {"columns": ["LST_DATE"], "format": "%Y%m%d"},
    "stamp": "start",
    "step": "1 day",
    "missing": list(USCRN_MISSING),
    "columns": {
        "T_DAILY_MAX": _column("air_temp_max", "degC"),
        "T_DAILY_MIN": _column("air_temp_min", "degC"),
        "T_DAILY_AVG": _column("air_temp", "degC"),
        "P_DAILY_CALC": _column("rain", "mm"),
        "SOLARAD_DAILY": _column("solar_energy", "MJ/m^2"),
        "RH_DAILY_MAX": _column("relative_humidity_max", "percent"),
        "RH_DAILY_MIN": _column("relative_humidity_min", "percent"),
        "RH_DAILY_AVG": _column("relative_humidity", "percent"),
    }
    | {
        f"SOIL_MOISTURE_{d}_DAILY": _column(
            "vwc", "m^3/m^3", depth_cm=d, missing=list(SOIL_MISSING)
        )
        for d in DEPTHS_CM
    }
    | {f"SOIL_TEMP_{d}_DAILY": _column("soil_temp", "degC", depth_cm=d) for d in DEPTHS_CM},
}

USCRN_HOURLY: dict[str, Any] = {
    "time": {"columns": ["UTC_DATE", "UTC_TIME"], "format": "%Y%m%d %H%M", "offset": "Z"},
    "stamp": "end",
    "step": "1 h",
    "missing": list(USCRN_MISSING),
    "columns": {
        "T_HR_AVG": _column("air_temp", "degC"),
        "T_MAX": _column("air_temp_max", "degC"),
        "T_MIN": _column("air_temp_min", "degC"),
        "P_CALC": _column("rain", "mm"),
        "SOLARAD": _column("solar_radiation", "W/m^2"),
        "RH_HR_AVG": _column("relative_humidity", "percent"),
    }
    | {
        f"SOIL_MOISTURE_{d}": _column("vwc", "m^3/m^3", depth_cm=d, missing=list(SOIL_MISSING))
        for d in DEPTHS_CM
    }
    | {f"SOIL_TEMP_{d}": _column("soil_temp", "degC", depth_cm=d) for d in DEPTHS_CM},
}

SENSORTHINGS: dict[str, Any] = {
    "time": {"columns": ["phenomenonTime"], "trust_zone": True},
    "stamp": "end",
    "records": "value",
    "shape": "long",
    "series_column": "Datastream.name",
    "value_column": "result",
}

# Format → what its layout says without being told; the farm file's own keys stand over these.
OPEN: dict[str, dict[str, Any]] = {
    "ghcn_daily": GHCN_DAILY,
    "uscrn_daily": USCRN_DAILY,
    "uscrn_hourly": USCRN_HOURLY,
    "sensorthings": SENSORTHINGS,
}


def fill_open_format(content: Any) -> Any:
    """Return a layout as written in the farm file, completed with what its open format says.

    ``columns`` given in the farm file are added to the format's own; the tables ``time`` are
    joined key by key.
    """
    if not isinstance(content, dict) or content.get("format") not in OPEN:
        return content
    known = OPEN[content["format"]]
    whole = known | content
    for table in ("time", "columns"):
        if isinstance(known.get(table), dict) and isinstance(content.get(table), dict):
            whole[table] = known[table] | content[table]
    return whole
