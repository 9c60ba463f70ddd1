"""What becomes of other people's records: prints the table of the section of FIGURES.md.

Run with: python -m tests.bench.bench_records FOLDER [record …]. FOLDER holds the files that
records.toml names; they are not part of the project. Each record becomes a farm of its own: the
proposal of ``sniff`` is compared with the layout that a person wrote from the documentation, then
the farm runs once.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
import tomllib
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import duckdb
import polars as pl

from flows.setup.sniff.finding import CannotSniff
from flows.setup.sniff.propose import propose
from schemas.farm.farm import Place

RECORDS = Path(__file__).with_name("records.toml")
RAIN_MM = 0.3
NEAR_CM = 2.0
HEAD = (
    "| record | rows | columns that `sniff` reads right, asks, reads wrong | landed, rejected "
    "| rain: days within 0.3 mm, or the total | findings for hands an instrument-year | rows of derived tables, "
    "problems | exit | s |\n| --- | ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: |"
)
HANDS = "SELECT count(*) FROM station_health WHERE state = 'found' AND severity = 'hands'"


def instruments(record: dict[str, Any], rows: pl.DataFrame, kind: str) -> list[str]:
    """Names of the stations or probes of a record."""
    named = record.get(kind)
    if named:
        return [str(name) for name in rows[named].unique().sort()]
    one = {"stations": "rain" in record, "probes": "depths_cm" in record}
    return ["one"] if one[kind] else []


def farm_file(record: dict[str, Any], rows: pl.DataFrame) -> str:
    """The farm.toml of a record."""
    place = "\n".join(f"{key} = {value!r}" for key, value in record["place"].items())
    spell = f'strip = "treated", from = {record["first"]}, to = {record["last"]}'
    text = [f'[farm]\nname = "Record"\n[place]\n{place}']
    stations, probes = (instruments(record, rows, kind) for kind in ("stations", "probes"))
    for kind, names in (("stations", stations), ("probes", probes)):
        depths = ", ".join(f"{{depth_cm = {d}}}" for d in record.get("depths_cm", ()))
        sensors = f"sensors = [{depths}]\n" if kind == "probes" else ""
        for name in names:
            text.append(
                f'[[{kind}]]\nname = "{name}"\nids = ["{name}"]\n{sensors}'
                f'spells = [{{field = "{name}", {spell}}}]'
            )
    text.append(f"[layouts.record]\n{record['layout']}")
    of = [f'{kind[:-1]} = "one"' for kind in ("stations", "probes") if not record.get(kind)]
    have = [line for line in of if (probes if "probe" in line else stations)]
    text.append(
        '[[sources]]\nname = "record"\nlayout = "record"\nglob = "*"\nsettle_s = 0\n'
        + "\n".join(have)
    )
    return "\n".join(text) + "\n"


def sniffed(data: bytes, record: dict[str, Any]) -> str:
    """How many columns ``sniff`` proposes as the person did, asks about, and has wrong in silence."""
    layout = tomllib.loads(f"[layouts.record]\n{record['layout']}")["layouts"]["record"]
    try:
        proposal = propose(data, Place.model_validate(record["place"]))
    except CannotSniff:
        return "cannot read it"
    asked = {q.item.split(".")[1] for q in proposal.questions if q.item.startswith("columns.")}
    right = wrong = asks = 0
    for name, rule in layout["columns"].items():
        got = proposal.layout["columns"].get(name, {})
        near = abs((got.get("depth_cm") or 0) - (rule.get("depth_cm") or 0)) <= NEAR_CM
        alike = near and all(got.get(key) == rule.get(key) for key in ("quantity", "unit"))
        asks += name in asked
        right += alike and name not in asked
        wrong += not alike and name not in asked
    return f"{right}, {asks}, {wrong}"


def rain(record: dict[str, Any], rows: pl.DataFrame, con: duckdb.DuckDBPyConnection) -> str:
    """The days whose rain is the record's own; of a record finer than days, its total."""
    if "rain" not in record:
        return "–"
    column, slope = record["rain"]
    layout = tomllib.loads(f"[layouts.record]\n{record['layout']}")["layouts"]["record"]
    mm = pl.col(column).cast(pl.Float64, strict=False) * slope
    own = rows.with_columns(own_mm=mm).filter(pl.col("own_mm") >= 0)
    if layout["step"] != "1 day":
        told = con.sql("SELECT sum(rain_mm) FROM weather_reading").fetchall()[0][0]
        return f"{told:.1f} of {own['own_mm'].sum():.1f} mm"
    day = pl.col(layout["time"]["columns"][0]).str.replace_all(r"\D", "")
    own = own.select("own_mm", day=day.str.to_date("%Y%m%d"))
    got = con.sql("SELECT day, rain_mm FROM weather_day WHERE rain_mm IS NOT NULL").pl()
    both = got.join(own, on="day")
    alike = (both["rain_mm"] - both["own_mm"]).abs() <= RAIN_MM
    return f"{alike.sum()} of {both.height} days"


def measure(name: str, record: dict[str, Any], files: Path) -> str:
    """The row of one record."""
    data = (files / record["file"]).read_bytes()
    rows = pl.read_csv(data, infer_schema=False)
    with tempfile.TemporaryDirectory() as root:
        farm = Path(root) / "farm"
        command = [sys.executable, "-c", "from flows.cli import main; main()"]
        subprocess.run([*command, "new", str(farm)], check=True, capture_output=True)
        (farm / "farm.toml").write_text(farm_file(record, rows), encoding="utf-8")
        (farm / "drop" / record["file"]).write_bytes(data)
        began = time.monotonic()
        done = subprocess.run([*command, "once", str(farm)], capture_output=True, check=False)
        seconds = time.monotonic() - began
        with duckdb.connect(farm / "warehouse/published/checkstrip.duckdb", read_only=True) as con:
            landed, rejected = con.sql(
                "SELECT sum(rows_landed), sum(rows_quarantined) FROM delivery"
            ).fetchall()[0]
            hands = con.sql(HANDS).fetchall()[0][0]
            derived = con.sql("SELECT sum(estimated_size) FROM duckdb_tables()").fetchall()[0][0]
            problems = con.sql("SELECT count(*) FROM derive_problem").fetchall()[0][0]
            count = sum(len(instruments(record, rows, kind)) for kind in ("stations", "probes"))
            span = date.fromisoformat(str(record["last"])) - date.fromisoformat(
                str(record["first"])
            )
            years = count * (span / timedelta(days=365.25))
            of_rain = rain(record, rows, con)
    return (
        f"| {name.replace('_', ' ')} | {rows.height:,} | {sniffed(data, record)} | {landed:,}, "
        f"{rejected:,} | {of_rain} | {hands / years:.2f} ({hands} in {years:.0f}) | {derived:,}, "
        f"{problems} | {done.returncode} | {seconds:.0f} |"
    )


def main(files: Path, only: list[str]) -> None:
    """The table, and the sources below it."""
    records = tomllib.loads(RECORDS.read_text(encoding="utf-8"))
    chosen = {name: record for name, record in records.items() if not only or name in only}
    print(HEAD)
    for name, record in chosen.items():
        print(measure(name, record, files), flush=True)
    print()
    for name, record in chosen.items():
        print(f"- {name.replace('_', ' ')}: {record['source']}")


if __name__ == "__main__":
    main(Path(sys.argv[1]), sys.argv[2:])
