"""Memory and time of an audit over millions of readings: prints a table for FIGURES.md.

Run with: python -m tests.bench.bench_audit [millions of readings] …
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
from datetime import UTC, datetime
from pathlib import Path

from flows.farm.folder import FarmFolder
from flows.store import migrate, warehouse
from schemas.catalogue import TABLES
from tests.flows import invented
from tests.peak import peak_mb


def fill(folder: FarmFolder, millions: float) -> None:
    """A warehouse with that many readings of a station every minute, made in SQL."""
    rows = int(millions * 1e6)
    with warehouse.open_writer(folder) as con:
        invented.put_setup(con, invented.setup())
        values = ["air_temp_c", "rain_mm", "relative_humidity_pct", "solar_radiation_w_m2"]
        migrate.add_columns(con, TABLES["weather_reading"], [*values, "delivery"])
        con.execute(
            f"INSERT INTO kept.weather_reading (station, time, interval_s, {', '.join(values)}, delivery) "
            "SELECT 'station T', TIMESTAMPTZ '2024-04-02 00:00:00+00' + INTERVAL 1 MINUTE * i, 60, "
            "10 + i % 20, 0, 50 + i % 40, i % 900, 'd' FROM range(?) r(i)",
            [rows],
        )


def measure(folder: FarmFolder) -> None:
    """Audit the copy and print what it cost; run in a process of its own."""
    from flows.trust.audit.carried import Carried
    from flows.trust.audit.evaluate import evaluate

    began = time.monotonic()
    with warehouse.open_reader(folder.warehouse_file) as con:
        outcomes = evaluate(con, Carried({}, datetime.now(UTC)))
    peak = peak_mb()
    print(f"{len(outcomes)} {time.monotonic() - began:.0f} {peak}")


def main(sizes: list[float]) -> None:
    """The table."""
    print("| readings, millions | expectations | s | peak MB |\n| ---: | ---: | ---: | ---: |")
    for millions in sizes:
        with tempfile.TemporaryDirectory() as root:
            folder = FarmFolder(Path(root))
            folder.make()
            fill(folder, millions)
            command = [sys.executable, "-m", "tests.bench.bench_audit", "--of", root]
            told = subprocess.run(command, capture_output=True, text=True, check=True).stdout
            print(f"| {millions:g} | {' | '.join(told.split()[-3:])} |", flush=True)


if __name__ == "__main__":
    if sys.argv[1:2] == ["--of"]:
        measure(FarmFolder(Path(sys.argv[2])))
    else:
        main([float(size) for size in sys.argv[1:]] or [0.1, 2, 10])
