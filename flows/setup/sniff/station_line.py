"""Files of soil networks that begin with one line of station facts, without headings.

The line has network, network, station, latitude, longitude, elevation, depth from and to in meters, and
the sensor; below it stand date and time in UTC, the value, the network's flag and the provider's. So
the International Soil Moisture Network publishes its data (format 'header and values'; Dorigo et al.
2011, doi:10.5194/hess-15-1675-2011). Only the name of the file says what is measured.
"""

import re

import polars as pl

from flows.setup.sniff import flag_words, stamps
from flows.setup.sniff.columns import shown
from flows.setup.sniff.finding import Finding, Proposal, Sure

NUMBER = r"(-?\d+(?:\.\d+)?)"
FACTS = re.compile(
    r"(\S+)\s+(\S+)\s+(\S+)\s+" + r"\s+".join([NUMBER] * 5) + r"\s+(\S.*)"
)  # names of stations have no blanks there
ROW = re.compile(rf"(\d{{4}}/\d\d/\d\d \d\d:\d\d)\s+{NUMBER}\s+(\S+)(?:\s+.*)?")
STATION, DEPTH_TO = 3, 8  # their words
MOST_WATER = 1.0  # m³/m³


def propose(lines: list[str]) -> Proposal | None:
    """A layout for such a file, None if it is none."""
    facts = FACTS.fullmatch(lines[0].strip()) if lines else None
    rows = [found for line in lines[1:] if (found := ROW.fullmatch(line.strip()))]
    filled = sum(bool(line.strip()) for line in lines[1:])
    if facts is None or len(rows) < 3 or len(rows) < 0.9 * filled:
        return None
    values = pl.Series([float(row[2]) for row in rows])
    times = pl.Series([row[1] for row in rows]).str.strptime(pl.Datetime("us"), "%Y/%m/%d %H:%M")
    step = sorted(times.diff().drop_nulls().dt.total_seconds().mode().to_list())[0]
    water = bool(values.is_between(-MOST_WATER, MOST_WATER).mean() > 0.9)  # type: ignore[operator]
    rule = (
        {"quantity": "vwc", "unit": "m^3/m^3"}
        if water
        else {"quantity": "soil_temp", "unit": "degC"}
    )
    flags = {
        flag: meaning for flag, meaning in flag_words.USUAL.items() if flag not in ("T", "A", "E")
    }
    layout = {
        **{"delimiter": "space", "skip": 1, "header": 0, "text_last": True, "depth_unit": "m"},
        "facts": {
            "instrument": {"line": 1, "word": STATION},
            "depth": {"line": 1, "word": DEPTH_TO},
        },
        "step": stamps.step_text(int(step)),
        "stamp": "end",
        "time": {"columns": ["1", "2"], "format": "%Y/%m/%d %H:%M", "offset": "Z"},
        "columns": {"3": rule | {"flag": "4", "flags": flags | {"*": "suspect"}}},
    }
    place = float(facts[4]), float(facts[5])
    return Proposal(layout, _found(facts, rule["quantity"], values), place=place)


def _found(facts: re.Match[str], quantity: str, values: pl.Series) -> list[Finding]:
    where = f"latitude {facts[4]}, longitude {facts[5]}, elevation {facts[6]} m"
    low, high = (shown(end) for end in (values.min(), values.max()))
    span = f"values from {low} to {high}"
    return [
        Finding(
            "facts", "line 1", Sure.CERTAIN, "a soil network's line of station facts stands above"
        ),
        Finding(
            "facts.instrument",
            facts[STATION],
            Sure.LIKELY,
            "the third word of line 1: it must be a name or id in farm.toml",
        ),
        Finding(
            "facts.depth",
            f"{facts[DEPTH_TO]} m",
            Sure.LIKELY,
            f"the sensor is said to reach from {facts[7]} to {facts[8]} m",
        ),
        Finding("place", where, Sure.LIKELY, "it is in line 1; [place] has the farm's"),
        Finding("time.offset", "Z", Sure.LIKELY, "the network publishes in UTC"),
        Finding("columns.3.flags", "as published", Sure.LIKELY, "the network's own flags"),
        Finding(
            "columns.3",
            quantity,
            Sure.UNSURE,
            f"{span}; the name of the file says what is measured (sm: soil moisture, ts: soil temperature)",
        ),
    ]
