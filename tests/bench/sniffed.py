"""Invented exports of invented loggers at real places, with the layout that is true of each."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import polars as pl

from flows.base import units
from flows.farm.farm_file import standard_offset_h
from flows.setup.sniff.zone import offset_text
from schemas.farm.farm import Place
from schemas.farm.layout import Layout
from schemas.quantities import BY_NAME
from tests.bench import sniffed_shapes as shapes
from tests.flows import exports
from transforms.methods.sun import half_day_h, solar_hours

PLACES = (
    Place(latitude=49.6, longitude=-97.2, elevation_m=240, time_zone="America/Winnipeg"),
    Place(latitude=39.1, longitude=-96.6, elevation_m=330, time_zone="America/Chicago"),
    Place(latitude=-34.5, longitude=138.8, elevation_m=120, time_zone="Australia/Adelaide"),
    Place(latitude=52.1, longitude=11.6, elevation_m=80, time_zone="Europe/Berlin"),
    Place(latitude=50.4, longitude=-104.6, elevation_m=570, time_zone="America/Regina"),
    Place(latitude=46.7, longitude=-117.2, elevation_m=770, time_zone="America/Los_Angeles"),
)
UNITS = {
    "air_temp": ("degC", "degF"),
    "air_temp_max": ("degC", "degF"),
    "air_temp_min": ("degC", "degF"),
    "relative_humidity": ("percent", "percent", "1"),
    "rain": ("mm", "inch", "0.1 mm"),
    "wind_speed": ("m/s", "km/h", "mph"),
    "solar_radiation": ("W/m^2",),
    "solar_energy": ("MJ/m^2",),
    "air_pressure": ("hPa", "kPa", "inHg"),
    "battery": ("V",),
    "vwc": ("percent", "m^3/m^3"),
    "soil_temp": ("degC", "degF"),
}
NAMES = {
    "air_temp": (
        "AirT",
        "Air Temp",
        "T_air",
        "Temperature",
        "TAVG",
        "Air Temperature Avg",
        "airTemp",
    ),
    "air_temp_max": ("TMAX", "Air Temp Max", "T_max", "Max Air Temperature"),
    "air_temp_min": ("TMIN", "Air Temp Min", "T_min", "Min Air Temperature"),
    "relative_humidity": ("RH", "Rel Humidity", "Humidity", "RH_avg"),
    "rain": ("Rain", "Precip", "Rainfall", "PRCP", "Rain_Tot", "Precipitation"),
    "wind_speed": ("WS", "Wind Speed", "windSpeed", "WSPD_avg"),
    "solar_radiation": ("Solar", "SlrRad", "Solar Radiation", "SR", "Global Radiation"),
    "solar_energy": ("Solar", "SolarRad", "Solar Radiation"),
    "air_pressure": ("BP", "Air Pressure", "Baro"),
    "battery": ("Batt", "Battery", "BattV"),
    "vwc": (
        "VWC {d}",
        "Moist_{d}",
        "SM{d}",
        "Soil Moisture {d}cm",
        "soil_moisture_{d}",
        "VWC {d} cm",
    ),
    "soil_temp": (
        "ST {d}",
        "SoilT_{d}",
        "Soil Temp {d}cm",
        "soil_temp_{d}",
        "Soil Temperature {d} cm",
    ),
}
SHOWN = {
    "degC": ("degC", "°C", "C", "Deg C"),
    "degF": ("degF", "°F", "F"),
    "percent": ("%",),
    "m^3/m^3": ("m3/m3", "m³/m³"),
    "mm": ("mm",),
    "inch": ("in", "inch"),
    "0.1 mm": ("0.1 mm",),
    "m/s": ("m/s",),
    "km/h": ("km/h", "kph"),
    "mph": ("mph",),
    "W/m^2": ("W/m2", "W/m²"),
    "MJ/m^2": ("MJ/m2",),
    "hPa": ("hPa", "mbar"),
    "kPa": ("kPa",),
    "inHg": ("inHg",),
    "V": ("V", "Volts"),
    "1": ("",),
}
TIMES = (
    (("Timestamp",), "%Y-%m-%d %H:%M"),
    (("TIMESTAMP",), "%Y-%m-%d %H:%M:%S"),
    (("Date", "Time"), "%d/%m/%Y %H:%M"),
    (("Date", "Time"), "%m/%d/%Y %H:%M"),
    (("Date Time",), "%d.%m.%Y %H:%M"),
    (("time",), "iso"),
    (("DateTime",), "%Y/%m/%d %H:%M"),
    (("stamp",), "epoch_s"),
    (("Date", "Time"), "%Y%m%d %H%M"),
    (("Date",), "%m/%d/%Y %I:%M %p"),
)
DAYS = (
    (("Date",), "%Y-%m-%d"),
    (("date",), "%Y%m%d"),
    (("Date",), "%d/%m/%Y"),
    (("DATE",), "%m/%d/%Y"),
)


@dataclass(frozen=True, slots=True)
class Made:
    """An invented export: its bytes, its place, its layout, and what nothing in it tells."""

    data: bytes
    place: Place
    layout: Layout
    description: str
    open: frozenset[str] = frozenset()


def weather(
    place: Place, times: pl.Series, step_s: int, rng: np.random.Generator
) -> dict[str, Any]:
    """Plausible values in SI at interval ends; daily rows hold means, extremes and sums."""
    middle = times - timedelta(seconds=step_s / 2)
    frame = pl.DataFrame({"t": middle})
    day = frame.select(pl.col("t").dt.ordinal_day())["t"].to_numpy().astype(float)
    n = len(times)
    spell = np.cumsum(rng.normal(0, 1.0, n)) * math.sqrt(step_s / 86400)
    spell = spell - np.linspace(0, spell[-1] if n else 0, n)
    warmest = 200.0 if place.latitude >= 0 else 18.0
    base = 6.0 + 16.0 * np.cos(2 * np.pi * (day - warmest) / 365) * min(1, abs(place.latitude) / 45)
    base = base + (45 - abs(place.latitude)) * 0.6 + np.clip(spell * 3, -8, 8)
    if step_s >= 86400:
        temp, swing = base, rng.uniform(5, 14, n)
        half = frame.select(half_day_h(pl.col("t").dt.ordinal_day(), place.latitude))
        long = half.to_series().to_numpy()
        energy = (4 + 24 * np.clip((long - 3.5) / 4.5, 0.05, 1)) * rng.uniform(0.4, 1.0, n)
        rain = np.where(rng.random(n) < 0.25, rng.gamma(0.8, 6, n), 0)
        rain = np.round(rain / 0.2) * 0.2
        return {
            "air_temp": temp,
            "air_temp_max": temp + swing / 2,
            "air_temp_min": temp - swing / 2,
            "relative_humidity": np.clip(rng.normal(65, 12, n), 15, 100),
            "rain": rain,
            "wind_speed": rng.gamma(3, 1.2, n),
            "solar_energy": energy,
        }
    sun = frame.select(solar_hours(pl.col("t"), place.longitude) % 24).to_series().to_numpy()
    half = frame.select(half_day_h(pl.col("t").dt.ordinal_day(), place.latitude))
    long = half.to_series().to_numpy()
    height = np.maximum(0, np.cos((sun - 12) * np.pi / 12) - np.cos(long * np.pi / 12))
    days = (np.arange(n) * step_s // 86400).astype(int)
    cloud = rng.uniform(0.35, 1.0, days.max() + 1)[days] if n else np.array([])
    solar = 720 * height * cloud * rng.normal(1, 0.04, n) * (step_s > 0)
    temp = base + 6 * np.cos((sun - 15) * np.pi / 12) * cloud
    rain = np.where(rng.random(n) < 0.02 * math.sqrt(step_s / 3600), rng.gamma(0.7, 2.5, n), 0)
    return {
        "air_temp": temp,
        "relative_humidity": np.clip(75 - 3 * (temp - base), 12, 100),
        "rain": np.round(rain / 0.2) * 0.2,
        "wind_speed": rng.gamma(3, 1.2, n),
        "solar_radiation": np.clip(solar, 0, None),
        "battery": 12.6 + 0.4 * height,
        "air_pressure": 101.3 * (1 - 2.2e-5 * place.elevation_m) ** 5.26
        + np.clip(spell * 0.3, -2, 2),
    }


def soil(values: dict[str, Any], depth: float, rng: np.random.Generator) -> tuple[Any, Any]:
    """Moisture in % and temperature in degC at a depth."""
    temp = values["air_temp"]
    n = len(temp)
    dry = np.linspace(0, rng.uniform(3, 10) * 20 / (20 + depth), n)
    wet = 38 + depth * 0.05 - dry + np.cumsum(values["rain"]) * 0.02 * 20 / (20 + depth)
    smooth = np.convolve(temp, np.ones(min(n, 25)) / min(n, 25), mode="same")
    return np.clip(wet, 5, 55), np.mean(temp) + (smooth - np.mean(temp)) * np.exp(-depth / 30)


def make(seed: int) -> Made:
    """Export number ``seed``."""
    rng = np.random.default_rng(seed)
    place = PLACES[rng.integers(len(PLACES))]
    step_s = int(rng.choice([900, 1800, 3600, 3600, 86400]))
    days = {900: 12, 1800: 25, 3600: 60, 86400: 330}[step_s]
    begin = datetime(
        2019 + int(rng.integers(4)), int(rng.integers(1, 13)), int(rng.integers(1, 28)), tzinfo=UTC
    )
    kind = str(rng.choice(["delimited"] * 7 + ["fixed", "json", "ndjson", "xlsx"]))
    time, clock, mark = _clock(rng, place, step_s)
    standard = Layout.model_validate(
        {
            "step": f"{step_s} s" if step_s < 86400 else "1 day",
            "time": {"columns": ["t"], **_of(clock)},
            "columns": {"x": {"quantity": "rain"}},
        }
    )
    if step_s >= 86400:
        begin = begin + timedelta(hours=0)
        days += int(rng.integers(60))
    ends = [begin + timedelta(seconds=step_s * (i + 1)) for i in range(days * 86400 // step_s)]
    times = pl.Series("time", ends, dtype=pl.Datetime("us", "UTC"))
    assert standard
    values = weather(place, times, step_s, rng)
    with_units = rng.choice(["row", "heading", "none"], p=[0.35, 0.35, 0.3])
    columns, below, truth = _columns(rng, values, str(with_units), kind, step_s)
    decimal = bool(kind == "delimited" and rng.random() < 0.25)
    layout: dict[str, Any] = {
        "format": kind,
        "step": {900: "15 min", 1800: "30 min", 3600: "1 h", 86400: "1 day"}[step_s],
        "stamp": "start" if step_s >= 86400 else str(rng.choice(["end", "end", "end", "start"])),
        "time": {
            "columns": list(time[0]),
            **({} if time[1] == "iso" else {"format": time[1]}),
            **clock,
        },
        "columns": columns,
    }
    preamble: tuple[str, ...] = ()
    missing = str(rng.choice(["", "NAN", "-9999", "-99.9", "--"]))
    if kind == "delimited":
        layout["delimiter"] = ";" if decimal else str(rng.choice([",", ",", ";", "\t"]))
        layout["decimal"] = "," if decimal else "."
        layout["encoding"] = str(rng.choice(["utf-8", "utf-8", "utf-8-sig", "utf-16", "cp1252"]))
    if kind in ("delimited", "fixed", "xlsx") and rng.random() < 0.4:
        preamble = tuple(f"Logger {i} of an invented farm" for i in range(rng.integers(1, 4)))
        layout["skip"] = len(preamble)
    if below and kind in ("delimited", "xlsx"):
        layout["after_header"] = 1
    if kind == "fixed":
        layout["fields"] = _fields(time, columns)
        below = []
    if missing:
        layout["missing"] = [missing if missing in ("NAN", "--") else float(missing)]
    shown: tuple[list[str], ...] = ()
    if "after_header" in layout:
        shown = (["" for _ in time[0]] + below,)
    frame = pl.DataFrame({"time": times, **truth})
    gone = rng.random((len(times), len(truth))) < 0.01
    frame = frame.with_columns(
        pl.when(~pl.Series(gone[:, i])).then(pl.col(n)).alias(n) for i, n in enumerate(truth)
    )
    if kind != "fixed":
        frame, shown = shapes.reshape(layout, frame, shown, np.random.default_rng(seed + 10**6))
    rule = Layout.model_validate(layout)
    packed = str(rng.choice(["", "", "", "", "gzip", "zip"])) if kind != "xlsx" else ""
    data = exports.write(
        frame, rule, missing=missing, mark=mark, preamble=preamble, below=shown, packed=packed
    )
    clock_key = next(iter(clock.items()), ("daily", ""))
    description = (
        f"{kind}, {layout['step']}, {time[1]}{mark}, {clock_key}, units {with_units}, "
        f"{shapes.description(layout)}"
    )
    return Made(data, place, rule, description, _open(rule, str(with_units), frame))


def _open(rule: Layout, with_units: str, truth: pl.DataFrame) -> frozenset[str]:
    """What nothing in the file tells: ``stamp``, ``zone``, ``clock`` or a column's heading (its unit)."""
    quantities = {column.quantity for column in rule.columns.values()}
    open_ = set()
    if rule.step_s < 86400 and "solar_radiation" not in quantities:
        open_ |= {"stamp", "zone"} | (set() if "air_temp" in quantities else {"clock"})
    unseen = with_units == "none" or (with_units == "row" and not rule.after_header)
    for name, column in rule.columns.items():
        if not unseen or "(" in name:
            continue
        if column.quantity == "wind_speed":  # a wind is as likely in one unit as in another
            open_.add(name)
        if column.quantity == "solar_radiation" and rule.step_s == 900:
            open_.add(name)  # W/m2 and kJ/m2 in a quarter of an hour are alike within a tenth
        if "temp" in column.quantity and _either(truth[name]):
            open_.add(name)
    return frozenset(open_)


def _either(values: pl.Series) -> bool:
    """Whether temperatures may be in either unit: as degF and as degC a mean of some winter."""
    mean = float(values.drop_nulls().mean() or 0.0)  # type: ignore[arg-type]
    return -5 <= mean <= 18


def _of(clock: dict[str, Any]) -> dict[str, Any]:
    return clock or {"offset": "Z"}


def _clock(
    rng: np.random.Generator, place: Place, step_s: int
) -> tuple[tuple[tuple[str, ...], str], dict[str, Any], str]:
    if step_s >= 86400:
        return DAYS[rng.integers(len(DAYS))], {"offset": offset_text(standard_offset_h(place))}, ""
    time = TIMES[rng.integers(len(TIMES))]
    if time[1].startswith("epoch"):
        return time, {}, ""
    standard = offset_text(standard_offset_h(place))
    choice = rng.choice(["standard", "utc", "saving"], p=[0.5, 0.25, 0.25])
    mark = "Z" if time[1] == "iso" and rng.random() < 0.7 else ""  # true or not
    if choice == "utc":
        return time, {"offset": "Z"}, mark
    untrue = {"trust_zone": False} if mark else {}
    if choice == "saving":
        return time, {"zone": place.time_zone} | untrue, mark
    return time, {"offset": standard} | untrue, mark


def _columns(
    rng: np.random.Generator, values: dict[str, Any], with_units: str, kind: str, step_s: int
) -> tuple[dict[str, Any], list[str], dict[str, Any]]:
    """The layout's columns, their units as shown, and their values as written."""
    columns: dict[str, Any] = {}
    below: list[str] = []
    truth: dict[str, Any] = {}
    quantities = [q for q in values if q in ("air_temp", "rain") or rng.random() < 0.75]
    plain = {q: values[q] for q in quantities}
    entries = [(q, None, v) for q, v in plain.items()]
    if rng.random() < 0.6:
        for depth in (10, 30, 60, 90)[: rng.integers(2, 5)]:
            wet, temp = soil(values, depth, rng)
            entries += [("vwc", depth, wet), ("soil_temp", depth, temp)]
    chosen = {q: str(rng.choice(UNITS[q])) for q in UNITS}
    chosen["air_temp_max"] = chosen["air_temp_min"] = chosen["soil_temp"] = chosen["air_temp"]
    style = {q: str(rng.choice(NAMES[q])) for q in NAMES}
    lies = rng.random() < 0.06  # a heading that names the wrong unit
    for quantity, depth, value in entries:
        unit = chosen[quantity]
        name = style[quantity].replace("{d}", str(depth))
        said = {"degC": "degF", "degF": "degC"}.get(unit, unit) if lies else unit
        shown = str(rng.choice(SHOWN[said]))
        if with_units == "heading" and shown:
            name = f"{name} ({shown})" if kind != "json" else f"{name}_{shown}"
        slope, zero = units.line(unit, BY_NAME[quantity].unit)
        columns[name] = {"quantity": quantity, "unit": unit}
        if said != unit:
            columns[name]["trust_unit"] = False
        if depth is not None:
            columns[name]["depth_cm"] = depth
        below.append(shown)
        places = 0 if unit == "0.1 mm" else 3
        truth[name] = np.round((value - zero) / slope, places)
    if with_units != "row":
        below = []
    assert step_s
    return columns, below, truth


def _fields(time: tuple[tuple[str, ...], str], columns: dict[str, Any]) -> dict[str, list[int]]:
    fields: dict[str, list[int]] = {}
    at = 1
    for name in [*time[0], *columns]:
        width = max(len(name), 21) + 2
        fields[name] = [at, at + width - 1]
        at += width
    return fields
