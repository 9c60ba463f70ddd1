"""Coverage of the interval over farms, by two simulators; what sharing and compacting cost.

``python -m tests.bench.bench_farms [SEEDS]`` prints tables for FIGURES.md. Seeds are above those of the tests.
"""

from __future__ import annotations

import sys
import tempfile
import time

import numpy as np
import polars as pl
from scipy import stats

from flows.network import pooled, snapshot
from flows.share import network_file, objects, pointer
from schemas.catalogue import NETWORK
from tests.bench.farm_truths import FARMS, MEAN, SPREAD, TRUTHS
from tests.flows import shared_farms
from transforms.trial.methods.farm_pooling import over_farms

FIRST = 70_000  # the method was set on seeds below 5,000 and, in part, on 50,000 to 50,600
SET = [(5, 4, 0.0), (10, 4, 0.0), (30, 4, 0.0), (100, 4, 0.0), (10, 4, 2.0), (30, 4, 2.0)]
SET += [(100, 4, 2.0), (30, 8, 2.0)]
OTHER = [(7, 3, 0.0), (7, 3, 2.0), (15, 5, 1.0), (60, 3, 2.0), (60, 6, 0.5), (60, 6, 3.0)]
OTHER += [(200, 4, 1.0), (200, 10, 2.0), (60, 4, 10.0)]


def coverage(seeds: int) -> None:
    """Print how often intervals hold the truth, and how wide that of the mean is in the median."""
    print(
        "| truth | farms | seasons | shared (sd) | mean | half width | spread | next farm | as farms |"
    )
    print("| --- | --- | --- | --- | --- | --- | --- | --- | --- |")
    for name, make in TRUTHS.items():
        others = MEAN + np.sort(FARMS[name](np.random.default_rng(1), 20_000))
        for farms, seasons, shared_sd in [*SET, *OTHER]:
            hits, wide = np.zeros(4), []
            for seed in range(FIRST, FIRST + seeds):
                rows = make(np.random.default_rng(seed), farms, seasons, shared_sd)
                found = over_farms(rows)
                wide.append((found.mean.high - found.mean.low) / 2)
                within = np.searchsorted(others, (found.next_low, found.next_high))
                hits += (
                    found.mean.low <= MEAN <= found.mean.high,
                    found.spread_low <= SPREAD <= found.spread_high,
                    (within[1] - within[0]) / others.size,
                    stats.ttest_1samp(rows["value"], MEAN).pvalue > 0.05,
                )
            mean, spread, following, naive = (f"{100 * n / seeds:.1f}%" for n in hits)
            print(
                f"| {name} | {farms} | {seasons} | {shared_sd:g} | {mean} | {np.median(wide):.1f} | "
                f"{spread} | {following} | {naive} |",
                flush=True,
            )


def costs(farms: int) -> None:
    """Print CPU seconds of publishing and of compacting in a folder."""
    with tempfile.TemporaryDirectory() as folder:
        store = objects.open_at(folder)
        network_file.init(store, "bench")
        made = [shared_farms.tables(shared_farms.farm_id(n), n, fields=4) for n in range(farms)]
        start, size = time.process_time(), 0
        for number, tables in enumerate(made):
            about = pointer.About(shared_farms.farm_id(number), "pooled", "CAD")
            size += pointer.publish(store, about, tables).bytes
        print(
            f"publish: {1000 * (time.process_time() - start) / farms:.1f} ms and {size / farms / 1000:.0f} kB a farm"
        )
        start = time.process_time()
        snapshot.compact(store)
        print(f"first snapshot of {farms} farms: {time.process_time() - start:.1f} CPU s")
        start = time.process_time()
        snapshot.compact(store)
        print(f"nothing new: {time.process_time() - start:.2f} CPU s")
        about = pointer.About(shared_farms.farm_id(1), "pooled", "CAD")
        pointer.publish(store, about, shared_farms.tables(about.farm, 9999, fields=4))
        start = time.process_time()
        snapshot.compact(store)
        print(f"one farm new: {time.process_time() - start:.1f} CPU s")
        frames = {name: pl.concat([one[name] for one in made]) for name in made[0]}
        table = NETWORK["network_farm"]
        stored = snapshot.current(store).private["network_farm"]
        start = time.process_time()
        pooled.answers(frames, snapshot.rows_of(store, stored, table))
        print(f"of it the pooled answers: {time.process_time() - start:.1f} CPU s")


if __name__ == "__main__":
    coverage(int(sys.argv[1]) if len(sys.argv) > 1 else 1000)
    costs(300)
