"""How fast files become readings, beside a bare load and a handy person's script; and a day's work.

Run by hand, on a quiet machine:

    python -m tests.bench.bench_collect            # all, prints markdown for FIGURES.md
    python -m tests.bench.bench_collect --quick    # a tenth of it, to see that it runs
    python -m tests.bench.bench_collect --load 4   # only the loads, at that scale

Each way runs in a process of its own, so that its peak memory is its own. dlt, a general-purpose loader,
runs in an environment of its own that the bench makes (it asks the package registry). No figure is asserted.
"""

from __future__ import annotations

import argparse
import json
import shutil
import subprocess
import sys
import tempfile
import time
import venv
from datetime import UTC, datetime, timedelta
from importlib import import_module
from pathlib import Path

import numpy as np
import polars as pl

from tests.peak import peak_mb

DEPTHS = (10, 30, 50, 70, 100)
COLUMNS = ["Air", "RH", "Rain", "Wind", "Sun", "Batt"] + [f"M{d}" for d in DEPTHS]
FIRST_YEAR = 2006  # twenty years end before today: readings of days to come are refused


def farm_toml(strips: int) -> str:
    """A farm of ``strips`` strips, a station and a probe each, all of one 15-minute layout."""
    depths = ", ".join(f"{{depth_cm = {d}}}" for d in DEPTHS)
    parts = [
        '[farm]\nname = "Bench"\n[place]\nlatitude = 50\nlongitude = -100\nelevation_m = 300\n'
        'time_zone = "America/Winnipeg"\n'
    ]
    for n in range(strips):
        side = "treated" if n % 2 == 0 else "check"
        spell = f'{{field = "F{n // 2}", strip = "{side}", from = {FIRST_YEAR - 1}-12-01}}'
        parts.append(
            f'[[stations]]\nname = "s{n}"\nspells = [{spell}]\n'
            f'[[probes]]\nname = "p{n}"\nsensors = [{depths}]\nspells = [{spell}]\n'
            f'[[sources]]\nname = "src{n}"\nlayout = "quarter"\nstation = "s{n}"\nprobe = "p{n}"\n'
            f'glob = "s{n}_*.csv"\nsettle_s = 0\n'
        )
    moisture = "\n".join(
        f'"M{d}" = {{quantity = "vwc", unit = "m^3/m^3", depth_cm = {d}}}' for d in DEPTHS
    )
    parts.append(
        '[layouts.quarter]\nstep = "15 min"\ntime = {columns = ["t"], offset = "-06:00"}\n'
        "missing = [-9999]\n[layouts.quarter.columns]\n"
        '"Air" = {quantity = "air_temp", unit = "degF"}\n"RH" = {quantity = "relative_humidity"}\n'
        '"Rain" = {quantity = "rain", unit = "inch"}\n"Wind" = {quantity = "wind_speed", unit = "mph"}\n'
        '"Sun" = {quantity = "solar_radiation"}\n"Batt" = {quantity = "battery"}\n' + moisture
    )
    return "\n".join(parts) + "\n"


def readings(strip: int, start: datetime, days: int, step_min: int = 15) -> pl.DataFrame:
    """Plausible readings of one strip, as its logger writes them."""
    rng = np.random.default_rng([strip, start.toordinal()])
    number = days * 24 * 60 // step_min
    time_ = pl.datetime_range(
        start, start + timedelta(minutes=step_min * (number - 1)), f"{step_min}m", eager=True
    )
    hour = np.arange(number) * step_min / 60
    swing = np.sin((hour - 9) / 24 * 2 * np.pi)
    rain = np.where(rng.random(number) < 0.02, rng.integers(1, 20, number) / 100, 0.0)
    data = {
        "t": time_.dt.strftime("%Y-%m-%d %H:%M:%S"),
        "Air": np.round(50 + 18 * swing + rng.normal(0, 1, number), 1),
        "RH": np.round(np.clip(60 - 25 * swing + rng.normal(0, 3, number), 5, 100), 1),
        "Rain": rain,
        "Wind": np.round(rng.gamma(2, 3, number), 1),
        "Sun": np.round(np.clip(800 * swing, 0, None), 1),
        "Batt": np.round(12.6 + rng.normal(0, 0.05, number), 2),
    }
    for depth in DEPTHS:
        data[f"M{depth}"] = np.round(0.35 - depth / 2000 + rng.normal(0, 0.002, number), 3)
    return pl.DataFrame(data)


def write_files(into: Path, strips: int, months: int, days_a_file: int = 0) -> None:
    """A file a month and strip, or one for every ``days_a_file`` days."""
    for strip in range(strips):
        for month in range(months):
            start = datetime(FIRST_YEAR + month // 12, month % 12 + 1, 1, tzinfo=UTC)
            frame = readings(strip, start.replace(tzinfo=None), 28)
            rows = days_a_file * 96 or frame.height
            for part in range(0, frame.height, rows):
                name = f"s{strip}_{start:%Y%m}_{part // rows:03d}.csv"
                frame.slice(part, rows).write_csv(into / name)


# --- the ways, each run in its own process ---------------------------------------------------------


def ours(root: Path) -> None:
    """Checkstrip: archive, read, check, land."""
    from flows.farm.folder import FarmFolder
    from flows.intake import collect

    done = collect.collect(FarmFolder.at(root))
    assert done.quarantined == 0


def bare(root: Path) -> None:
    """DuckDB alone: the files as they stand into one table."""
    import duckdb

    kinds = {"t": "TIMESTAMP"} | dict.fromkeys(COLUMNS, "DOUBLE")
    con = duckdb.connect(str(root / "bare.duckdb"))
    con.execute(
        f"CREATE TABLE readings AS FROM read_csv('{root}/drop/*.csv', header=true, columns={kinds}, filename=true)"
    )
    con.close()


def long(root: Path) -> None:
    """DuckDB alone, into the shapes that are kept: weather wide, soil a row a sensor and time."""
    import duckdb

    kinds = {"t": "TIMESTAMP"} | dict.fromkeys(COLUMNS, "DOUBLE")
    con = duckdb.connect(str(root / "long.duckdb"))
    con.execute(
        f"CREATE TEMP TABLE files AS FROM read_csv('{root}/drop/*.csv', header=true, columns={kinds}, filename=true)"
    )
    con.execute(
        "CREATE TABLE weather AS SELECT filename, t, Air, RH, Rain, Wind, Sun, Batt FROM files"
    )
    depths = ", ".join(f"M{depth}" for depth in DEPTHS)
    con.execute(
        "CREATE TABLE soil AS SELECT filename, t, depth, vwc FROM files "
        f"UNPIVOT INCLUDE NULLS (vwc FOR depth IN ({depths}))"
    )
    con.close()


def handy(root: Path) -> None:
    """What a handy person would write with pandas: read, convert, put together, store."""
    import duckdb
    import pandas as pd

    weather, soil = [], []
    for path in sorted((root / "drop").glob("*.csv")):
        frame = pd.read_csv(path, parse_dates=["t"], na_values=[-9999])
        frame["station"] = path.name.split("_")[0]
        frame["time"] = frame["t"] + pd.Timedelta(hours=6)
        frame["air_temp_c"] = (frame["Air"] - 32) / 1.8
        frame["rain_mm"] = frame["Rain"] * 25.4
        frame["wind_m_s"] = frame["Wind"] * 0.44704
        weather.append(
            frame[["station", "time", "air_temp_c", "RH", "rain_mm", "wind_m_s", "Sun", "Batt"]]
        )
        long = frame.melt(["station", "time"], [f"M{d}" for d in DEPTHS], "depth", "vwc")
        long["depth"] = long["depth"].str[1:].astype(float)
        long["vwc"] *= 100
        soil.append(long)
    all_weather = pd.concat(weather).drop_duplicates(["station", "time"])
    all_soil = pd.concat(soil).drop_duplicates(["station", "time", "depth"])
    con = duckdb.connect(str(root / "handy.duckdb"))
    con.register("w", all_weather)
    con.register("s", all_soil)
    con.execute("CREATE TABLE weather AS FROM w")
    con.execute("CREATE TABLE soil AS FROM s")
    con.close()


def turn(root: Path) -> None:
    """One whole turn: collect, derive, publish; the time of each."""
    from flows.farm.folder import FarmFolder
    from flows.run import steps

    folder = FarmFolder.at(root)
    for step in (steps.collect, steps.derive, steps.publish):
        began = time.perf_counter()
        step(folder)
        print(json.dumps({step.__name__: round(time.perf_counter() - began, 2)}))


# With its usual settings: the source that it has for such files, its reader for CSV, DuckDB as destination.
DLT = """
import json, os, resource, sys, time
os.environ["RUNTIME__DLTHUB_TELEMETRY"] = "false"
import dlt, duckdb, pandas
from dlt.sources.filesystem import filesystem, read_csv
root = sys.argv[1]
began, worked = time.perf_counter(), time.process_time()
there = dlt.destinations.duckdb(f"{root}/dlt.duckdb")
pipeline = dlt.pipeline("bench", destination=there, dataset_name="bench", pipelines_dir=f"{root}/dlt")
files = filesystem(bucket_url=f"file://{root}/drop", file_glob="*.csv") | read_csv()
pipeline.run(files.with_name("readings"))
took = {"s": time.perf_counter() - began, "cpu": time.process_time() - worked}
print(json.dumps(took | {"mb": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1000}))
"""


def peer_python(into: Path) -> Path:
    """Make an environment with dlt and nothing of ours; return its Python."""
    venv.create(into, with_pip=True)
    python = into / "bin" / "python"
    wanted = ["dlt[duckdb,filesystem]", "pandas"]
    subprocess.run([python, "-m", "pip", "install", "-q", *wanted], check=True)
    return python


WAYS = {"ours": ours, "bare": bare, "long": long, "handy": handy, "turn": turn}


def measured(
    way: str, root: Path, peer: Path | None = None
) -> tuple[float, float, dict[str, float]]:
    """Seconds (imports not counted), peak MB and what it printed, of a way in its own process."""
    own = [sys.executable, "-m", "tests.bench.bench_collect", "--way", way, "--root", str(root)]
    done = subprocess.run(
        [str(peer), "-c", DLT, str(root)] if way == "dlt" else own,
        capture_output=True,
        text=True,
        check=False,
    )
    if done.returncode:
        raise SystemExit(done.stderr)
    lines = [json.loads(line) for line in done.stdout.splitlines() if line.startswith("{")]
    last = lines.pop()
    further = {k: v for line in lines for k, v in line.items()}
    return last["s"], last["mb"], further | {"cpu": last["cpu"]}


def one_way(way: str, root: Path) -> None:
    """Run a way here and print its figures."""
    for module in (
        "duckdb",
        "pandas",
        "pandera.polars",
        "flows.intake.collect",
        "hypothesis",
    ):  # not on the clock, for every way alike
        import_module(module)
    began, worked = time.perf_counter(), time.process_time()
    WAYS[way](root)
    took = {"s": time.perf_counter() - began, "cpu": time.process_time() - worked}
    print(json.dumps(took | {"mb": peak_mb()}))


def load_table(scale: int) -> list[str]:
    """Files to landed, three ways, for large and for small files."""
    lines = [
        "| files | rows | way | s | CPU s | rows/s | million values/s | peak MB |",
        "| --- | --- | --- | --- | --- | --- | --- | --- |",
    ]
    environment = tempfile.TemporaryDirectory()
    peer = peer_python(Path(environment.name))
    for words, strips, months, days in (
        ("a month each", 4, 6 * scale, 0),
        ("a day each", 2, 3 * scale, 1),
    ):
        with tempfile.TemporaryDirectory() as folder:
            root = Path(folder)
            (root / "drop").mkdir()
            (root / "farm.toml").write_text(farm_toml(strips), encoding="utf-8")
            write_files(root / "drop", strips, months, days)
            number = len(list((root / "drop").iterdir()))
            rows = strips * months * 28 * 96
            for way in ("bare", "long", "ours", "handy", "dlt"):
                times = 1 if way == "dlt" else 3
                best = min(
                    (measured(way, _fresh(root), peer) for _ in range(times)), key=lambda m: m[0]
                )
                seconds, peak, more = best
                lines.append(
                    f"| {number} of {words} | {rows:,} | {way} | {seconds:.2f} "
                    f"| {more['cpu']:.2f} | {rows / seconds:,.0f} "
                    f"| {rows * len(COLUMNS) / seconds / 1e6:.1f} | {peak:.0f} |"
                )
    environment.cleanup()
    return lines


def memory_table(scale: int) -> list[str]:
    """Peak memory for one file of growing size."""
    lines = ["| one file of | rows | s | peak MB |", "| --- | --- | --- | --- |"]
    for months in (2 * scale, 12 * scale):
        with tempfile.TemporaryDirectory() as folder:
            root = Path(folder)
            (root / "drop").mkdir()
            (root / "farm.toml").write_text(farm_toml(1), encoding="utf-8")
            frames = [
                readings(0, datetime(FIRST_YEAR + m // 12, m % 12 + 1, 1), 28, 2)
                for m in range(months)
            ]
            path = root / "drop" / "s0_all.csv"
            pl.concat(frames).write_csv(path)
            seconds, peak, _ = measured("ours", root)
            size = path.stat().st_size / 1e6
            rows = sum(f.height for f in frames)
            lines.append(f"| {size:.0f} MB | {rows:,} | {seconds:.1f} | {peak:.0f} |")
    return lines


def day_table(years: tuple[int, ...]) -> list[str]:
    """A day's work after some years of history (hourly, four strips)."""
    lines = [
        "| years of history | readings | collect s | derive s | publish s |",
        "| --- | --- | --- | --- | --- |",
    ]
    for span in years:
        with tempfile.TemporaryDirectory() as folder:
            root = Path(folder)
            (root / "drop").mkdir()
            (root / "farm.toml").write_text(farm_toml(4).replace("15 min", "1 h"), encoding="utf-8")
            start = datetime(FIRST_YEAR, 1, 1)
            days = span * 365
            for strip in range(4):
                readings(strip, start, days, 60).write_csv(root / "drop" / f"s{strip}_old.csv")
            measured("turn", root)
            for strip in range(4):
                next_day = readings(strip, start + timedelta(days=days), 1, 60)
                next_day.write_csv(root / "drop" / f"s{strip}_new.csv")
            _, _, took = measured("turn", root)
            lines.append(
                f"| {span} | {days * 24 * 4 * 6:,} | {took['collect']:.2f} | {took['derive']:.2f} "
                f"| {took['publish']:.2f} |"
            )
    return lines


def _fresh(root: Path) -> Path:
    for path in root.iterdir():
        if path.name not in ("drop", "farm.toml"):
            shutil.rmtree(path) if path.is_dir() else path.unlink()
    return root


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--load", type=int)
    parser.add_argument("--way", choices=WAYS)
    parser.add_argument("--root", type=Path)
    given = parser.parse_args()
    if given.way:
        one_way(given.way, given.root)
        return
    if given.load:
        print("\n".join(load_table(given.load)))
        return
    scale = 1 if given.quick else 10
    for title, lines in (
        ("Files to landed readings", load_table(scale)),
        ("Memory, one large file", memory_table(1 if given.quick else 4)),
        ("A day's work", day_table((1,) if given.quick else (1, 10))),
    ):
        print(f"\n### {title}\n\n" + "\n".join(lines), flush=True)


if __name__ == "__main__":
    main()
