"""A small farm with all kinds of deliveries in it, and what its warehouse says when all is quiet."""

from __future__ import annotations

import csv
import gzip
import io
import os
import zipfile
from datetime import datetime, timedelta
from pathlib import Path

from flows.farm.folder import FarmFolder
from flows.store import checksum, query, warehouse
from tests.flows.fieldbooks import book

WEEK = "2021-W22"  # 31 May to 6 June
FIRST = datetime(2021, 5, 29)
HOURS = 24 * 8
HEADING = "t,T,H,W,S,R,B,S1,S2"
FARM = """
[farm]
name = "Invented"
currency = "CAD"
units = "canada"
[place]
latitude = 50
longitude = -100
elevation_m = 300
time_zone = "America/Winnipeg"
[[stations]]
name = "west"
ids = ["W1"]
spells = [{field = "Home", strip = "treated", from = 2020-01-01, to = 2024-12-31}]
[[stations]]
name = "east"
ids = ["E1"]
spells = [{field = "Home", strip = "check", from = 2020-01-01, to = 2024-12-31}]
[[probes]]
name = "deep west"
ids = ["W1"]
sensors = [{depth_cm = 10}, {depth_cm = 40, name = "b"}]
spells = [{field = "Home", strip = "treated", from = 2020-01-01, to = 2024-12-31}]
[[probes]]
name = "deep east"
ids = ["E1"]
sensors = [{depth_cm = 10}, {depth_cm = 40, name = "b"}]
spells = [{field = "Home", strip = "check", from = 2020-01-01, to = 2024-12-31}]
[layouts.hourly]
step = "1 h"
time = {columns = ["t"], offset = "-06:00"}
missing = ["NAN", -9999]
[layouts.hourly.columns]
"T" = {quantity = "air_temp", unit = "degF"}
"H" = {quantity = "relative_humidity", unit = "%"}
"W" = {quantity = "wind_speed", unit = "m/s"}
"S" = {quantity = "solar_radiation", unit = "W/m^2"}
"R" = {quantity = "rain", unit = "inch"}
"B" = {quantity = "battery", unit = "V"}
"S1" = {quantity = "vwc", unit = "m^3/m^3", depth_cm = 10}
"S2" = {quantity = "vwc", unit = "m^3/m^3", sensor = "b", missing = [-99]}
"""
SOURCE = """
[[sources]]
name = "{name}"
layout = "hourly"
station = "{name}"
probe = "deep {name}"
glob = "{name}*"
settle_s = 0
{more}
"""
MAIL = """
[mail]
server = "127.0.0.1"
port = {port}
security = "none"
from = "farm@example.org"
readers = [{{address = "grower@example.org"}}, {{address = "advisor@example.org", units = "us"}}]
"""


def toml(*, port: int | None = None, move: bool = False, alerts: bool = False) -> str:
    """The farm file; with ``move`` the files of one station go to taken/, with ``alerts`` they are mailed."""
    west = SOURCE.format(name="west", more='after = "move"' if move else "")
    mail = "" if port is None else MAIL.format(port=port)
    more = "alerts = true\n" if alerts else ""
    return FARM + west + SOURCE.format(name="east", more="") + mail + more


def row(hour: int, *values: object) -> str:
    """A line of a file."""
    stamp = (FIRST + timedelta(hours=hour)).strftime("%Y-%m-%d %H:%M")
    return ",".join([stamp, *map(str, values)])


def usual(hour: int, *, dry: bool = False) -> str:
    """A plausible line of that hour."""
    day = hour % 24
    light = max(0, 700 - abs(day - 13) * 110)
    rain = 0.04 if hour % 61 in (7, 8, 9) else 0
    wet = round(0.34 - hour * 0.0002 - 0.03 * dry, 4)
    return row(
        hour,
        45 + (day - 4) % 24,
        80 - day,
        2 + day % 5,
        light,
        rain,
        12.6,
        wet,
        round(wet + 0.05, 4),
    )


def text(lines: list[str]) -> bytes:
    """A file's bytes."""
    return ("\n".join([HEADING, *lines]) + "\n").encode()


def put(folder: FarmFolder, name: str, data: bytes, order: int) -> None:
    """A file in the drop folder whose time is in the order of arrival."""
    path = folder.drop / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(data)
    os.utime(path, (1.62e9 + order, 1.62e9 + order))


def first(folder: FarmFolder) -> None:
    """What lies in the drop folder at first: half of the time, faults included."""
    half = HOURS // 2
    west = [usual(h) for h in range(HOURS)]
    east = [usual(h, dry=True) for h in range(HOURS)]
    put(folder, "west log.csv", text(west[:half]), 1)
    put(folder, "east 1.csv", text([*east[: half // 2], "noon,1,2,3,4,5,6,7,8"]), 2)
    put(folder, "east 2.csv.gz", gzip.compress(text(east[half // 2 : half]), mtime=0), 3)
    put(folder, "notes.txt", b"call the dealer", 4)


def later(folder: FarmFolder) -> None:
    """What arrives later: more of the growing log, an archive, a contradiction, a repeated file."""
    half = HOURS // 2
    west = [usual(h) for h in range(HOURS)]
    east = [usual(h, dry=True) for h in range(HOURS)]
    put(folder, "west log.csv", text(west), 11)
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:
        archive.writestr(zipfile.ZipInfo("a.csv"), text(east[half : half + 30]))
        archive.writestr(zipfile.ZipInfo("b.csv"), text(east[half + 30 :]))
    put(folder, "east 3.zip", packed.getvalue(), 12)
    put(folder, "east 4.csv", text([row(5, 51, 70, 3, 0, 0, 12.5, 0.3, 0.36)]), 13)
    put(folder, "east 1 again.csv", text(east[:20]), 14)


def make(root: Path, *, port: int | None = None, move: bool = False) -> FarmFolder:
    """A farm folder with its first files and a field book of CSV files."""
    root.mkdir(parents=True)
    (root / "farm.toml").write_text(toml(port=port, move=move))
    folder = FarmFolder.at(root)
    folder.make()
    for name, rows in book().items():
        out = io.StringIO()
        csv.writer(out).writerows(rows)
        folder.fieldbook_dir.mkdir(exist_ok=True)
        (folder.fieldbook_dir / f"{name}.csv").write_text(out.getvalue())
    first(folder)
    return folder


def said(folder: FarmFolder) -> tuple[str, str]:
    """The checksums of the warehouse and of the published copy."""
    with warehouse.open_writer(folder) as con:
        own = checksum.total(con)
    with query.open_published(folder) as con:
        return own, checksum.total(con)
