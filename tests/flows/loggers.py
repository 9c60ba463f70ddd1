"""A farm folder with one station and one probe, and files as its logger would write them."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path

import duckdb

from flows.farm.folder import FarmFolder
from flows.intake import collect
from flows.intake.collect import Collected
from flows.store import warehouse

FARM = """
[farm]
name = "Invented"
[place]
latitude = 50
longitude = -100
elevation_m = 300
time_zone = "America/Winnipeg"
[[stations]]
name = "west"
ids = ["W1"]
spells = [{field = "North", strip = "treated", from = 2020-01-01}]
[[probes]]
name = "deep"
sensors = [{depth_cm = 10}, {depth_cm = 30, name = "b"}]
spells = [
  {field = "North", strip = "treated", from = 2020-01-01, to = 2020-06-20},
  {field = "North", strip = "treated", from = 2020-07-01},
]
[layouts.hourly]
step = "1 h"
time = {columns = ["t"], offset = "-06:00"}
missing = ["NAN", -9999]
[layouts.hourly.columns]
"T" = {quantity = "air_temp", unit = "degF"}
"R" = {quantity = "rain", unit = "inch"}
"S1" = {quantity = "vwc", unit = "m^3/m^3", depth_cm = 10}
"S2" = {quantity = "vwc", unit = "m^3/m^3", sensor = "b", missing = [-99]}
[[sources]]
name = "hourly"
layout = "hourly"
station = "west"
probe = "deep"
glob = "*.csv"
settle_s = 0
"""
# The same farm after its instruments were taken in for good: none of them is silent.
ENDED = FARM.replace("from = 2020-01-01}]", "from = 2020-01-01, to = 2020-12-31}]").replace(
    "from = 2020-07-01}", "from = 2020-07-01, to = 2020-12-31}"
)
# The same farm with one layout and source of a web service; its url and tries are still to be said.
WEB = (
    FARM[: FARM.index("[[sources]]")]
    + """
[layouts.web]
step = "1 h"
time = {columns = ["t"], offset = "Z"}
[layouts.web.columns]
T = {quantity = "air_temp"}
[[sources]]
name = "web"
kind = "http"
layout = "web"
station = "west"
"""
)
HEADING = "t,T,R,S1,S2"
START = datetime(2020, 6, 1)


def row(hour: int, *values: object) -> str:
    """One line of the file, ``hour`` hours after the start, by the logger's clock."""
    stamp = (START + timedelta(hours=hour)).strftime("%Y-%m-%d %H:%M")
    return ",".join([stamp, *map(str, values)])


def usual(hour: int) -> str:
    """A plausible line of that hour."""
    return row(hour, 50 + hour % 24, round(hour % 7 * 0.01, 2), 0.31, 0.35)


def make(root: Path, toml: str = FARM) -> FarmFolder:
    """A farm folder at ``root``."""
    (root / "drop").mkdir(parents=True)
    (root / "farm.toml").write_text(toml, encoding="utf-8")
    return FarmFolder.at(root)


def drop(folder: FarmFolder, name: str, lines: list[str], *, heading: str = HEADING) -> Path:
    """Write a file into the drop folder."""
    path = folder.drop / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text("\n".join([heading, *lines]) + "\n", encoding="utf-8")
    return path


def take(folder: FarmFolder) -> Collected:
    """Collect."""
    return collect.collect(folder)


def ask(folder: FarmFolder, query: str) -> list[tuple[object, ...]]:
    """Rows of a query on the writer's database."""
    with warehouse.open_writer(folder) as con:
        return rows(con, query)


def rows(con: duckdb.DuckDBPyConnection, query: str) -> list[tuple[object, ...]]:
    """Rows of a query."""
    return [tuple(found) for found in con.execute(query).fetchall()]
