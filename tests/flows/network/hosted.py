"""Farms for a host: small ones that land a few days of temperatures, and ones that are only a name."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path
from uuid import UUID

from flows.network.hosts import Host

FARM = """
[farm]
name = "{name}"
id = "{id}"
[place]
latitude = 50
longitude = -100
elevation_m = 300
time_zone = "America/Winnipeg"
[[stations]]
name = "west"
spells = [{{field = "Home", strip = "treated", from = 2020-01-01, to = 2024-12-31}}]
[layouts.hourly]
step = "1 h"
time = {{columns = ["t"], offset = "-06:00"}}
[layouts.hourly.columns]
"T" = {{quantity = "air_temp", unit = "degC"}}
[[sources]]
name = "west"
layout = "hourly"
station = "west"
settle_s = 0
"""


def host_at(root: Path, hosting: str = "") -> Host:
    """A host's folder without farms."""
    root.mkdir(parents=True, exist_ok=True)
    (root / "hosting.toml").write_text(hosting)
    return Host.at(root)


def farm_id(name: str) -> str:
    return str(UUID(bytes=name.encode().rjust(16, b"\0")[-16:]))


def add(host: Host, name: str, days: int = 0, more: str = "") -> Path:
    """A farm of the host, with files of so many days; its digest and audit are not due."""
    root = host.root / name
    (root / "drop").mkdir(parents=True)
    (root / "state").mkdir()
    (root / "farm.toml").write_text(FARM.format(name=name, id=farm_id(name)) + more)
    hours = [(day, hour) for day in range(1, days + 1) for hour in range(24)]
    lines = [f"2021-06-{day:02d} {hour:02d}:00,{len(name) + hour}" for day, hour in hours]
    if days:
        (root / "drop" / "west.csv").write_text("\n".join(["t,T", *lines, ""]))
    now = datetime.now(UTC).isoformat()
    done = {"started_at": now, "ended_at": now, "state": "done", "summary": "", "notes": []}
    known = {flow: {"flow": flow, **done} for flow in ("audit", "digest")}
    (root / "state" / "last_runs.json").write_text(json.dumps(known))
    return root
