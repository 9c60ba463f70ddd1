"""The tables below ground under several physics of soil water, logger steps and troubles, side by side.

Run ``python -m tests.bench.bench_truths [SITES] [FIRST_SEED] [FOLDER]`` in the repository's root: it
prints the section 'More than one truth' of ``FIGURES.md``. ``SITES`` site-seasons of two strips are
made for every truth: the demo's layered bucket, Richards' equation in the ways of ``truth/field.py``,
and AquaCrop (``truth/aqua.py``, one value a day, for water use and rooting only). One simulation is
read every 15 minutes, every hour, every 3 hours and once a day. One group in two begins wet, has much
rain, and spikes and a gap in its readings. Methods are set on seeds below 1,000 and judged on seeds
from 40,000 on.

It runs in one process; a truth of 12 site-seasons takes some minutes on a free core. What is simulated
and what is compared is kept in ``FOLDER``, by a fingerprint of the program text that made it: the same
command goes on where it was broken off, and after a change of a method only the tables are made
again.
"""

from __future__ import annotations

import gzip
import hashlib
import pickle
import sys
import tempfile
import time
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

from demo_warehouse.simulator import judge, water
from schemas.catalogue import TABLES
from schemas.generated import conform
from tests.bench import bench_soil, truth_report
from tests.bench.truth import aqua, field
from transforms.methods import crop_days

CHAIN = (*bench_soil.DAILY, *bench_soil.DERIVED, "water_use_season")
TRUTHS: dict[str, judge.Physics] = {
    "layered bucket": water.run,
    **{kind.name: field.physics(kind) for kind in field.TRUTHS},
}
AQUACROP = "AquaCrop"
NAMES = (*TRUTHS, AQUACROP)
STEPS_MIN = {"15 min": 15, "1 h": 60, "3 h": 180, "1 day": 1440}
LOGGERS = tuple(replace(logger, step_min=15) for logger in bench_soil.LOGGERS)
SOILS = ("clay", "silty clay", "clay loam", "loam")
DEPTHS_CM = ((10, 30, 50, 70, 100), (20, 40, 60, 80, 100))
GROUP = 3  # site-seasons of one soil, one set of depths and one logger
# A soil that begins full, and a year of much rain: there drainage matters.
WET: dict[str, float] = {"start_share": 1.0, "wetness": 1.5}
# What the strips are made to yield, and the standard error with which that is weighed. Invented.
YIELD_KG_HA = {"treated": 3300.0, "check": 3000.0}
YIELD_ERROR = 0.015


@dataclass(frozen=True, slots=True)
class Found:
    """Comparisons with the truth, each a frame with the columns ``truth`` and ``step``."""

    front: pl.DataFrame
    lead: pl.DataFrame
    share: pl.DataFrame
    use: pl.DataFrame


def plan(name: str, sites: int, first_seed: int) -> list[tuple[int, judge.Options]]:
    """Seeds and options of a truth's site-seasons: soils, depths, loggers, troubles, dry and wet."""
    shift = NAMES.index(name)
    out = []
    for i in range(sites):
        group = i // GROUP
        wet = group % 2
        options = judge.Options(
            soil=SOILS[(group + shift) % len(SOILS)],
            depths_cm=DEPTHS_CM[group // 2 % 2],
            logger=LOGGERS[(group + shift) % len(LOGGERS)],
            faults=("spikes", "gap") if wet else (),
            **(WET if wet else {}),
        )
        out.append((first_seed + i, options))
    return out


def simulated(name: str, sites: int, first_seed: int, folder: Path) -> list[judge.SiteSeason]:
    """The site-seasons of one truth, from ``folder`` if they are there."""
    made_by = fingerprint("demo_warehouse/simulator", "tests/bench/truth")
    wanted = plan(name, sites, first_seed)
    what = hashlib.sha256(repr(wanted).encode()).hexdigest()[:8]
    kept = folder / f"{made_by}-{name}-{what}.pickle"
    if not kept.exists():
        by_day = name == AQUACROP
        made = aqua.strip_seasons(wanted) if by_day else judge.mixed_seasons(wanted, TRUTHS[name])
        # Water by layer and hour is compared with nothing here, and is half of what there is to keep.
        nothing = pl.DataFrame()
        _keep(kept, [replace(one, truth=replace(one.truth, layer=nothing)) for one in made])
    found: list[judge.SiteSeason] = _kept(kept)
    return found


def _keep(path: Path, what: object) -> None:
    """Write completely or not at all, so that a run that is broken off leaves no half of a part."""
    part = path.with_suffix(".part")
    with gzip.open(part, "wb", compresslevel=1) as out:
        pickle.dump(what, out, protocol=pickle.HIGHEST_PROTOCOL)
    part.replace(path)


def _kept(path: Path) -> Any:
    with gzip.open(path, "rb") as kept:
        return pickle.load(kept)


def thinned(readings: pl.DataFrame, step_min: int) -> pl.DataFrame:
    """The readings of a logger that wakes every ``step_min``, counted from the farm's midnight."""
    at = pl.col("time").dt.offset_by(f"{judge.known.OFFSET_H}h")
    minute = 60 * at.dt.hour().cast(pl.Int32) + at.dt.minute()
    return readings.filter(minute % step_min == 0).with_columns(interval_s=pl.lit(step_min * 60.0))


def with_yields(batch: list[judge.SiteSeason]) -> pl.DataFrame:
    """``strip_yield`` of the batch: the invented yields, weighed with an error."""
    rows = [
        {
            "field": one.tables["season"]["field"][0],
            "season": one.tables["season"]["season"][0],
            "strip": strip,
            "pass": "all",
            "method": "combined",
            "passes": 1,
            "yield_kg_ha": made * (1 + YIELD_ERROR * error),
            "yield_se_kg_ha": made * YIELD_ERROR,
            "partial": False,
        }
        for one in batch
        for (strip, made), error in zip(
            YIELD_KG_HA.items(),
            np.random.default_rng([one.seed, 15]).normal(size=2),
            strict=True,
        )
    ]
    return conform(pl.DataFrame(rows), TABLES["strip_yield"])


def uses(have: dict[str, pl.DataFrame], balance: pl.DataFrame) -> pl.DataFrame:
    """Water use, drainage and change of efficiency beside the truth over the same days."""
    found = have["water_use_season"].drop_nulls("water_use_mm")
    c = pl.col
    truth = (
        balance.join(found.select("field", "strip", "from_day", "to_day"), on=["field", "strip"])
        .filter((c("day") > c("from_day")) & (c("day") <= c("to_day")))
        .group_by("field", "strip")
        .agg(
            used=(c("evaporation_mm") + c("transpiration_mm") + c("runoff_mm")).sum(),
            drained=c("drainage_mm").sum(),
        )
    )
    made = pl.DataFrame({"strip": list(YIELD_KG_HA), "made": list(YIELD_KG_HA.values())})
    rows = found.join(truth, on=["field", "strip"]).join(made, on="strip")
    efficiency = c("made") / c("used")
    of = {s: efficiency.filter(c("strip") == s).first().over("field") for s in YIELD_KG_HA}
    return rows.select(
        "field",
        "strip",
        "used",
        "drained",
        "water_use_mm",
        "water_use_se_mm",
        "drainage_mm",
        "drainage_low_mm",
        "drainage_high_mm",
        "drainage_from",
        "efficiency_change_pct",
        "efficiency_change_low_pct",
        "efficiency_change_high_pct",
        true_change_pct=100 * (of["treated"] / of["check"] - 1),
    )


def compared(batch: list[judge.SiteSeason], step_min: int) -> dict[str, pl.DataFrame]:
    """All comparisons of one batch at one step of its loggers."""
    tables = bench_soil.together(batch)
    tables["soil_reading"] = thinned(tables["soil_reading"], step_min)
    tables["strip_yield"] = with_yields(batch)
    have = bench_soil.derived(tables, CHAIN)
    return beside_truth(batch, have)


def beside_truth(
    batch: list[judge.SiteSeason], have: dict[str, pl.DataFrame]
) -> dict[str, pl.DataFrame]:
    """The derived tables of a batch beside what really happened, as far as its truth knows that."""
    root, uptake, balance = (bench_soil.truths(batch, n) for n in ("root", "uptake", "balance"))
    begins = have["season"].select("field", "seeded", emerges=crop_days.emergence())
    front = bench_soil.fronts(have, root, bare=False).join(begins, on="field")
    days = have["root_arrival"].select("field", "strip", "depth_cm", "day", "latest_day")
    front = front.join(days, on=["field", "strip", "depth_cm"]).with_columns(
        early=pl.col("day") < pl.col("emerges"),
        known=pl.col("state").is_in(["reached", "before the record"]),
    )
    found = {
        "front": front,
        "lead": bench_soil.leads(have, root),
        "use": uses(have, balance),
    }
    return found | ({"share": bench_soil.shares(have, uptake)} if uptake.height else {})


def steps(name: str) -> dict[str, int]:
    """The steps at which a truth can be read, in minutes by their names."""
    return {"1 day": 1440} if name == AQUACROP else STEPS_MIN


def fingerprint(*parts: str) -> str:
    """Of the program text in ``parts`` of the repository: what another text made does not count."""
    root = Path(__file__).parents[2]
    files = [path for part in parts for path in sorted((root / part).rglob("*.py"))]
    text = b"".join(path.read_bytes() for path in files if not path.name.startswith("test_"))
    return hashlib.sha256(text).hexdigest()[:16]


def judged(sites: int, first_seed: int, folder: Path) -> Found:
    """All comparisons over ``sites`` site-seasons of every truth; parts done are kept in ``folder``."""
    parts: dict[str, list[pl.DataFrame]] = {}
    began = time.monotonic()
    made_by = fingerprint("transforms", "schemas", "demo_warehouse/simulator", "tests/bench")
    for name in NAMES:
        kept = folder / f"{made_by}-{name}-{first_seed}-{sites}.pickle"
        if not kept.exists():
            _keep(kept, _of_truth(name, sites, first_seed, folder))
        for what, frame in _kept(kept).items():
            parts.setdefault(what, []).append(frame)
        print(f"{name}: {time.monotonic() - began:.0f} s", file=sys.stderr, flush=True)
    return Found(**{what: pl.concat(frames) for what, frames in parts.items()})


def _of_truth(name: str, sites: int, first_seed: int, folder: Path) -> dict[str, pl.DataFrame]:
    """All comparisons with one truth."""
    parts: dict[str, list[pl.DataFrame]] = {}
    seasons = simulated(name, sites, first_seed, folder)
    for step, step_min in steps(name).items():
        for what, frame in compared(seasons, step_min).items():
            labeled = frame.with_columns(truth=pl.lit(name), step=pl.lit(step))
            parts.setdefault(what, []).append(labeled)
    return {what: pl.concat(frames) for what, frames in parts.items()}


def main(arguments: list[str]) -> None:
    """Run and print."""
    sites, first_seed = (int(a) for a in (arguments[:2] + ["12", "40000"][len(arguments[:2]) :]))
    with tempfile.TemporaryDirectory() as passing:
        folder = Path(arguments[2] if len(arguments) > 2 else passing)
        folder.mkdir(parents=True, exist_ok=True)
        print(truth_report.report(judged(sites, first_seed, folder), sites, first_seed))


if __name__ == "__main__":
    main(sys.argv[1:])
