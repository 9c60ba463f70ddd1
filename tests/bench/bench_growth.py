"""What a turn costs as a farm grows: strips, years; CPU seconds, peak memory and sizes of files.

    python -m tests.bench.bench_growth 2x5 12x1 12x10 12x20 60x10     # strips x years

For each farm a turn over everything, one with nothing new, one with a day's files, one more day,
the light commands and the audit, each in a process of its own. Hourly readings, five depths, a field
for every two strips, a season a year, weighed passes. The farm is invented: water that rain fills
and a crop takes up. CPU seconds, since a computer at work stretches all others.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import polars as pl

from tests.bench.bench_collect import DEPTHS, FIRST_YEAR, farm_toml

COMMAND = "import sys; sys.argv[0] = 'checkstrip'; from flows.cli import main; main()"
CROPS = ("spring wheat", "canola", "barley")
# Of a year that is written whole; the days that follow come as a file a strip.
LAST = (8, 1)


def readings(strip: int, start: datetime, days: int) -> pl.DataFrame:
    """Return hourly readings of one strip, alike whatever part of a year is asked for."""
    frames = []
    for year in range(start.year, (start + timedelta(days=days - 1)).year + 1):
        frames.append(_year(strip, year))
    stamp = pl.col("t").str.to_datetime("%Y-%m-%d %H:%M:%S")
    return pl.concat(frames).filter(stamp >= start, stamp < start + timedelta(days=days))


def _year(strip: int, year: int) -> pl.DataFrame:
    rng, field = np.random.default_rng([strip, year]), np.random.default_rng([strip // 2, year, 7])
    first = datetime(year, 1, 1)
    days = (datetime(year + 1, 1, 1) - first).days
    hours = np.arange(days * 24)
    of_year, swing = hours / 24, np.sin((hours % 24 - 9) / 24 * 2 * np.pi)
    summer = -np.cos((of_year - 15) / 365 * 2 * np.pi)
    daily = np.where(field.random(days) < 0.22, field.gamma(0.8, 8.0, days), 0.0)
    daily *= np.clip(0.3 + summer[::24], 0.05, None)
    rain = np.zeros(days * 24)
    rain.reshape(days, 24)[:, 3:7] = daily[:, None] / 4
    mm = np.round(rain * np.clip(rng.normal(1, 0.03, days * 24), 0.8, 1.2) / 0.254) * 0.254
    grows = np.clip((of_year - 130) / 40, 0, 1) * np.clip((245 - of_year) / 30, 0, 1)
    data = {
        "t": pl.datetime_range(
            first, interval="1h", end=first + timedelta(hours=days * 24 - 1), eager=True
        ).dt.strftime("%Y-%m-%d %H:%M:%S"),
        "Air": np.round(32 + 1.8 * (3 + 16 * summer + 6 * swing + rng.normal(0, 1, days * 24)), 1),
        "RH": np.round(np.clip(65 - 20 * swing + rng.normal(0, 3, days * 24), 5, 100), 1),
        "Rain": np.round(mm / 25.4, 2),
        "Wind": np.round(rng.gamma(2, 3, days * 24), 1),
        "Sun": np.round(np.clip((500 + 350 * summer) * swing, 0, None), 1),
        "Batt": np.round(12.6 + rng.normal(0, 0.05, days * 24), 2),
    }
    for place, depth in enumerate(DEPTHS):
        reached = np.clip((of_year - 145 - place * (7 if strip % 2 else 5)) / 20, 0, 1)
        taken = np.cumsum(reached * grows * np.clip(swing, 0, None)) * 0.006 / (1 + place / 2)
        filled = np.cumsum(rain) * 0.03 / (1 + 2 * place)
        water = 0.40 - depth / 4000 - 0.22 * (1 - np.exp(-np.clip(taken - filled, 0, None)))
        data[f"M{depth}"] = np.round(water + rng.normal(0, 0.0006, days * 24), 4)
    return pl.DataFrame(data)


def make(root: Path, strips: int, years: int) -> None:
    """Write a farm whose record ends on the first of August of its last year."""
    (root / "drop").mkdir(parents=True)
    (root / "fieldbook").mkdir()
    text = farm_toml(strips).replace("15 min", "1 h")
    (root / "farm.toml").write_text('fieldbook = "fieldbook"\n' + text, encoding="utf-8")
    fields, seasons, passes, worked = [], [], [], []
    for n in range(strips // 2):
        fields.append(f"F{n},100,heavy clay,clay,deep tillage")
        worked.append(f"F{n},treated,{FIRST_YEAR - 1}-10-01,deep tillage,35")
        for year in range(FIRST_YEAR, FIRST_YEAR + years):
            last = year == FIRST_YEAR + years - 1
            harvest = "" if last else f"{year}-08-30"
            seasons.append(f"F{n},{year},{CROPS[(n + year) % 3]},{year}-05-05,{harvest}")
            rng = np.random.default_rng([n, year, 3])
            for strip, more in () if last else (("treated", 150), ("check", 0)):
                masses = (4000 + more + rng.normal(0, 100, 4)).round()
                passes += [
                    f"F{n},{year},{strip},{k + 1},{year}-08-30,{mass:.0f},800,9.1,14"
                    for k, mass in enumerate(masses)
                ]
    for name, head, rows in (
        ("fields", "field,area (ha),soil,soil texture,practice", fields),
        ("seasons", "field,season,crop,seeded,harvested", seasons),
        (
            "passes",
            "field,season,strip,pass,day,mass (kg),length (m),width (m),moisture (%)",
            passes,
        ),
        ("operations", "field,strip,day,practice,depth (cm)", worked),
    ):
        (root / "fieldbook" / f"{name}.csv").write_text("\n".join([head, *rows]) + "\n")
    for strip in range(strips):
        for year in range(FIRST_YEAR, FIRST_YEAR + years):
            frame = _year(strip, year)
            if year == FIRST_YEAR + years - 1:
                frame = readings(strip, datetime(year, 1, 1), _days_until(year))
            frame.write_csv(root / "drop" / f"s{strip}_{year}.csv")


def day(root: Path, strips: int, years: int, number: int) -> None:
    """Write the files of one day more."""
    start = datetime(FIRST_YEAR + years - 1, *LAST) + timedelta(days=number)
    for strip in range(strips):
        readings(strip, start, 1).write_csv(root / "drop" / f"s{strip}_{start:%Y%m%d}.csv")


def _days_until(year: int) -> int:
    return (datetime(year, *LAST) - datetime(year, 1, 1)).days


def measured(*arguments: str) -> tuple[float, float, float]:
    """Return CPU seconds, peak MB and exit code of a command in a process of its own.

    As on a user's computer, where compiled modules are kept whatever this environment says.
    """
    environ = {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"}
    process = subprocess.Popen(
        [sys.executable, "-c", COMMAND, *arguments],
        env=environ,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL if arguments[0] != "x" else None,
    )
    _, code, used = os.wait4(process.pid, 0)
    return used.ru_utime + used.ru_stime, used.ru_maxrss / 1000, os.waitstatus_to_exitcode(code)


def rows(strips: int, years: int, audited: bool) -> list[str]:
    """Return the lines of one farm."""
    with tempfile.TemporaryDirectory() as folder:
        root = Path(folder)
        make(root, strips, years)
        lines = []

        def line(words: str, *arguments: str) -> None:
            cpu, peak, code = measured(*arguments)
            sizes = [
                sum(p.stat().st_size for p in (root / "warehouse").glob(pattern)) / 1e6
                for pattern in ("*.duckdb", "published/*.duckdb")
            ]
            lines.append(
                f"| {strips} × {years} | {words} | {cpu:.1f} | {peak:.0f} | {sizes[0]:.1f} "
                f"| {sizes[1]:.1f} | {code} |"
            )
            print(lines[-1], flush=True)

        at = str(root)
        line("collect, everything", "collect", at)
        line("derive, everything", "derive", at)
        line("publish, everything", "publish", at)
        line("once, nothing new", "once", at)
        for number in range(2):
            day(root, strips, years, number)
            line("once, a day's files", "once", at)
        line("derive, nothing new", "derive", at)
        line("status", "status", at)
        line("sql", "sql", at, "SELECT 1")
        line("tables", "tables", at)
        line("--help", "--help")
        if audited:
            line("audit", "audit", at)
            line("audit again", "audit", at)
        return lines


def main() -> None:
    """Print a table."""
    print("| strips × years | what | CPU s | peak MB | writer MB | published MB | exit |")
    print("| --- | --- | ---: | ---: | ---: | ---: | ---: |")
    for farm in sys.argv[1:]:
        if farm != "--audit":
            strips, years = map(int, farm.split("x"))
            rows(strips, years, "--audit" in sys.argv)


if __name__ == "__main__":
    main()
