"""Five invented loggers' exports of different kinds, a week each, from 12 May 2025 on."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from datetime import datetime, timedelta
from math import pi, sin
from pathlib import Path

FIRST = datetime(2025, 5, 12)
DAYS = 7
DEPTHS_CM = (10, 30, 60)


def moments(step_min: int) -> Iterator[tuple[int, datetime]]:
    """Hours since the first, and the time, of each step's end."""
    for i in range(1, DAYS * 24 * 60 // step_min + 1):
        yield i * step_min // 60, FIRST + timedelta(minutes=i * step_min)


def temp_c(hour: float) -> float:
    """Coldest at six, warmest at six in the evening."""
    return 12 - 6 * sin(2 * pi * hour / 24)


def rain_mm(hour: int) -> float:
    """Showers on three afternoons."""
    return 1.27 if hour % 48 in (15, 16, 17) else 0.0


def vwc_pct(hour: float, depth: int) -> float:
    """Drying from above."""
    return 34 - 3 * depth / 100 - hour / (20 + depth)


def comma_station(path: Path) -> None:
    """Hourly, comma separated, customary units in the headings."""
    rows = [
        f"{t:%m/%d/%Y %H:%M},{temp_c(h) * 1.8 + 32:.1f},{60 + h % 24},{rain_mm(h) / 25.4:.2f}"
        for h, t in moments(60)
    ]
    path.write_text("\n".join(["Date Time,Air Temp (F),RH (%),Rain (in)", *rows, ""]))


def semicolon_probe(path: Path) -> None:
    """Every half hour, semicolons, decimal commas, day first, depth and unit in the headings."""
    rows = [
        f"{t:%d.%m.%Y %H:%M};"
        + ";".join(f"{vwc_pct(h, d):.2f}".replace(".", ",") for d in DEPTHS_CM)
        for h, t in moments(30)
    ]
    heading = "Time;" + ";".join(f"Soil moisture {d} cm (%)" for d in DEPTHS_CM)
    path.write_text("\n".join([heading, *rows, ""]))


def station_with_preamble(path: Path) -> None:
    """Every quarter of an hour, lines above the headings, a row of units, quotes, missing codes."""
    rows = [
        f'"{t:%Y-%m-%d %H:%M:%S}",{i},{temp_c(h):.2f},{"NAN" if i == 9 else 50 + h % 24},'
        f"{rain_mm(h) / 4:.2f},12.{h % 9}"
        for i, (h, t) in enumerate(moments(15))
    ]
    above = [
        '"FARM","Logger 7","serial 1234"',
        '"TIMESTAMP","RECORD","AirTC_Avg","RH","Rain_mm_Tot","BattV_Min"',
    ]
    above += ['"TS","RN","Deg C","%","mm","Volts"', '"","","Avg","Smp","Tot","Min"']
    path.write_text("\n".join([*above, *rows, ""]))


def long_probe(path: Path) -> None:
    """Hourly, a row a depth."""
    rows = [
        f"{t:%Y-%m-%d %H:%M}\t{d}\t{vwc_pct(h, d) / 100:.4f}\t{temp_c(h) / 2 + 6:.2f}"
        for h, t in moments(60)
        for d in DEPTHS_CM
    ]
    heading = "Timestamp\tDepth (cm)\tVWC (m3/m3)\tSoil temperature (C)"
    path.write_text("\n".join([heading, *rows, ""]))


def json_station(path: Path) -> None:
    """Hourly, JSON with the offset in each stamp."""
    rows = [
        {
            "time": f"{t:%Y-%m-%dT%H:%M:%S}-06:00",
            "air_temperature_c": round(temp_c(h), 2),
            "rain_mm": rain_mm(h),
        }
        for h, t in moments(60)
    ]
    path.write_text(json.dumps({"readings": rows}))


STATIONS: dict[str, Callable[[Path], None]] = {
    "north_station.csv": comma_station,
    "logger7_2025.dat": station_with_preamble,
    "export.json": json_station,
}
PROBES: dict[str, Callable[[Path], None]] = {
    "north_treated_soil.csv": semicolon_probe,
    "pit_check.tsv": long_probe,
}
