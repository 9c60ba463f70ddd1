"""Whole files of every format for the fuzz, and the farm file that reads them."""

from __future__ import annotations

import gzip
import io
import json
import zipfile
from dataclasses import dataclass
from datetime import datetime, timedelta

import openpyxl

HOURS = 14
FIRST = datetime(2021, 6, 1)
# Heading in the file, table, column of the table, depth.
COLUMNS = {
    "air": ("weather_reading", "air_temp_c", None),
    "rain": ("weather_reading", "rain_mm", None),
    "upper": ("soil_reading", "vwc_pct", 10.0),
    "lower": ("soil_reading", "vwc_pct", 40.0),
}
RULES = """
"air" = {quantity = "air_temp", unit = "degC"}
"rain" = {quantity = "rain", unit = "mm"}
"upper" = {quantity = "vwc", unit = "%", depth_cm = 10}
"lower" = {quantity = "vwc", unit = "%", sensor = "b"}
"""
PLACES = """
[farm]
name = "Invented"
[place]
latitude = 50
longitude = -100
elevation_m = 300
time_zone = "America/Winnipeg"
[[stations]]
name = "west"
spells = [{field = "Home", strip = "treated", from = 2020-01-01}]
[[probes]]
name = "deep"
sensors = [{depth_cm = 10}, {depth_cm = 40, name = "b"}]
spells = [{field = "Home", strip = "treated", from = 2020-01-01}]
"""


@dataclass(frozen=True, slots=True)
class Format:
    """One way to write the sample: the keys of its layout, its stamps and how it is packed."""

    name: str
    keys: str
    stamp: str = "%Y-%m-%d %H:%M"
    decimal: str = "."
    delimiter: str = ","
    kind: str = "delimited"
    packed: str = ""
    encoding: str = "utf-8"

    @property
    def toml(self) -> str:
        """Its layout and source."""
        return (
            f'[layouts.{self.name}]\nstep = "1 h"\n{self.keys}\n[layouts.{self.name}.columns]{RULES}'
            f'[[sources]]\nname = "{self.name}"\nlayout = "{self.name}"\nstation = "west"\n'
            f'probe = "deep"\nglob = "{self.name}*"\nsettle_s = 0\n'
        )


ISO = 'time = {columns = ["t"], offset = "-06:00"}\nmissing = ["NAN", -9999]'
FIELDS = (
    "fields = {t = [1, 16], air = [18, 24], rain = [26, 31], upper = [33, 39], lower = [41, 47]}"
)
LONG = 'shape = "long"\nseries_column = "what"\nvalue_column = "value"'
EUROPEAN = """delimiter = ";"
decimal = ","
encoding = "latin-1"
header_starts = "day"
after_header = 1
time = {columns = ["day", "hour"], format = "%d.%m.%Y %H:%M", offset = "-06:00"}
missing = ["NAN"]"""
FORMATS = {
    f.name: f
    for f in (
        Format("comma", ISO),
        Format("quoted", ISO + '\nheader_starts = "t"'),
        Format(
            "semicolon",
            EUROPEAN,
            "%d.%m.%Y;%H:%M",
            decimal=",",
            delimiter=";",
            encoding="latin-1",
        ),
        Format("tabbed", 'delimiter = "tab"\n' + ISO, delimiter="\t"),
        Format("long", ISO + "\n" + LONG, kind="long"),
        Format("fixed", 'format = "fixed"\n' + FIELDS + "\n" + ISO, kind="fixed"),
        Format("json", 'format = "json"\nrecords = "data.rows"\n' + ISO, kind="json"),
        Format("ndjson", 'format = "ndjson"\n' + ISO, kind="ndjson"),
        Format("xlsx", 'format = "xlsx"\n' + ISO, kind="xlsx"),
        Format("gzip", ISO, packed="gzip"),
        Format("zip", ISO, packed="zip"),
    )
}


def toml() -> str:
    """The farm file of all formats."""
    return PLACES + "".join(f.toml for f in FORMATS.values())


def truth(seed: int) -> list[tuple[datetime, dict[str, float]]]:
    """Rows whose values all differ, so that none can take another's place unseen."""
    rows = []
    for h in range(HOURS):
        one = seed % 7 + h * 0.37
        rows.append(
            (
                FIRST + timedelta(hours=h),
                {
                    "air": round(3.1 + one, 2),
                    "rain": round(0.03 * h + 0.01, 2),
                    "upper": round(24.7 + one, 2),
                    "lower": round(36.3 + one, 2),
                },
            )
        )
    return rows


def write(form: Format, seed: int = 0) -> bytes:
    """The sample in a format, not packed."""
    rows = truth(seed)
    if form.kind == "json":
        document = {"data": {"rows": [_record(t, v) for t, v in rows]}, "more": {"a": [1, 2]}}
        return json.dumps(document, indent=1).encode()
    if form.kind == "ndjson":
        return "".join(json.dumps(_record(t, v)) + "\n" for t, v in rows).encode()
    if form.kind == "xlsx":
        book = openpyxl.Workbook()
        book.active.append(["t", *COLUMNS])
        for time, values in rows:
            book.active.append([time.strftime(form.stamp), *values.values()])
        out = io.BytesIO()
        book.save(out)
        return out.getvalue()
    return ("\n".join(_lines(form, rows)) + "\n").encode(form.encoding)


def _record(time: datetime, values: dict[str, float]) -> dict[str, object]:
    return {"t": time.strftime("%Y-%m-%d %H:%M"), **values}


def _lines(form: Format, rows: list[tuple[datetime, dict[str, float]]]) -> list[str]:
    d = form.delimiter
    if form.kind == "long":
        head = "t,what,value"
        body = [f"{t:%Y-%m-%d %H:%M},{name},{value}" for t, v in rows for name, value in v.items()]
        return [head, *body]
    if form.kind == "fixed":
        return [
            f"{'t':<16} {'air':>7} {'rain':>6} {'upper':>7} {'lower':>7}",
            *(
                f"{t:%Y-%m-%d %H:%M} {v['air']:7.2f} {v['rain']:6.2f} {v['upper']:7.2f} {v['lower']:7.2f}"
                for t, v in rows
            ),
        ]
    cells = [
        [t.strftime(form.stamp), *(str(x).replace(".", form.decimal) for x in v.values())]
        for t, v in rows
    ]
    if form.name == "quoted":
        cells = [[f'"{c}"' for c in row] for row in cells]
        return ['"made by",x', d.join(f'"{n}"' for n in ("t", *COLUMNS)), *map(d.join, cells)]
    if form.name == "semicolon":
        heads = ["day", "hour", *COLUMNS], ["", "", "°C", "mm", "%", "%"]
        return ["Größe;x", *map(d.join, [*heads, *cells])]
    return [d.join(["t", *COLUMNS]), *map(d.join, cells)]


def pack(form: Format, data: bytes) -> bytes:
    """As it is delivered."""
    if form.packed == "gzip":
        return gzip.compress(data, mtime=0)
    if form.packed == "zip":
        out = io.BytesIO()
        with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
            archive.writestr("a.csv", data)
        return out.getvalue()
    return data
