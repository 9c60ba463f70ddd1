"""How well water use, drainage and capture recover what really happened, on simulated seasons.

Run ``python -m tests.bench.bench_balance [SITES] [FIRST_SEED]`` in the repository's root: it prints
the section 'Water balance' of ``FIGURES.md``. Four soils, the loggers of ``bench_soil``, one batch in
three with spikes and gaps; seeds that no method was set on. Run-off counts as use, as the table says.
"""

from __future__ import annotations

import inspect
import sys
from collections.abc import Iterator
from datetime import datetime, timedelta

import polars as pl

from demo_warehouse.simulator import judge
from flows.derive import making
from schemas import generated
from schemas.catalogue import TABLES
from tests.bench import bench_soil

CHAIN = (
    "weather_day",
    "rain_spell",
    "soil_day",
    "weather_used_day",
    "rain_day",
    "heat_day",
    "evapotranspiration_day",
    "evaporation_day",
    "soil_quality_day",
    "soil_step",
    "soil_offset",
    "soil_month",
    "soil_wetting",
    "soil_limit",
    "soil_water_day",
    "rain_event",
    "water_use_season",
)
LARGE_MM = 15.0
BATCH = 5
SOILS = ("clay", "silty clay", "clay loam", "loam")


def seasons(sites: int, first_seed: int) -> Iterator[judge.SiteSeason]:
    """Site-seasons over the soils and loggers."""
    for batch in range(-(-sites // BATCH)):
        seeds = range(first_seed + batch * BATCH, first_seed + min((batch + 1) * BATCH, sites))
        yield from judge.strip_seasons(
            list(seeds),
            soil=SOILS[batch % len(SOILS)],
            logger=bench_soil.LOGGERS[batch // len(SOILS) % len(bench_soil.LOGGERS)],
            faults=("spikes", "gap") if batch % 3 == 2 else (),
        )


def derived(tables: dict[str, pl.DataFrame]) -> dict[str, pl.DataFrame]:
    """The tables of the chain."""
    have = {name: generated.empty(table) for name, table in TABLES.items()} | tables
    for name in CHAIN:
        made_by = making.function(name)
        have[name] = made_by(**{p: have[p] for p in inspect.signature(made_by).parameters})
    return have


def balances(site: judge.SiteSeason, have: dict[str, pl.DataFrame]) -> pl.DataFrame:
    """Each strip's water use and drainage beside the truth over the same days."""
    found = have["water_use_season"].drop_nulls("water_use_mm")
    inside = (pl.col("day") > pl.col("from_day")) & (pl.col("day") <= pl.col("to_day"))
    truth = (
        site.truth.balance.join(found.select("strip", "from_day", "to_day"), on="strip")
        .filter(inside)
        .group_by("strip")
        .agg(
            used=(
                pl.col("evaporation_mm") + pl.col("transpiration_mm") + pl.col("runoff_mm")
            ).sum(),
            drained=pl.col("drainage_mm").sum(),
        )
    )
    return found.join(truth, on="strip").select(
        "field",
        "strip",
        "used",
        "drained",
        "water_use_mm",
        "water_use_se_mm",
        "drainage_low_mm",
        "drainage_high_mm",
    )


def captures(site: judge.SiteSeason, have: dict[str, pl.DataFrame]) -> pl.DataFrame:
    """Each event's capture beside the true rise of storage, as shares of the rain."""
    stored = site.truth.layer.group_by("strip", "time").agg(pl.col("storage_mm").sum())
    at = {(strip, time): mm for strip, time, mm in stored.iter_rows()}

    def hour(time: datetime, days: int = 0) -> datetime:
        return (time + timedelta(days=days)).replace(minute=0, second=0, microsecond=0)

    rows = []
    for event in have["rain_event"].filter("both_strips").iter_rows(named=True):
        before = at.get((event["strip"], hour(event["began"])))
        after = [at.get((event["strip"], hour(event["ended"], n))) for n in (1, 2)]
        if before is None or None in after or event["capture_1d"] is None:
            continue
        for n, then in enumerate(after, start=1):
            rows.append(
                {
                    "field": event["field"],
                    "began": event["began"],
                    "strip": event["strip"],
                    "days_after": n,
                    "large": event["rain_mm"] >= LARGE_MM,
                    "error": event[f"capture_{n}d"] - (then - before) / event["rain_mm"],
                }
            )
    return pl.DataFrame(rows, infer_schema_length=None)


def print_balances(frame: pl.DataFrame) -> None:
    """Errors of water use, of its ratio between strips, and whether the bounds hold."""
    relative = frame["water_use_mm"] / frame["used"] - 1
    error = relative.abs()
    held = ((frame["water_use_mm"] - frame["used"]).abs() < 1.96 * frame["water_use_se_mm"]).mean()
    slack = 2.0
    bounded = (
        (frame["drained"] >= frame["drainage_low_mm"] - slack)
        & (frame["drained"] <= frame["drainage_high_mm"] + slack)
    ).mean()
    pair = frame.pivot("strip", index="field", values=["water_use_mm", "used"]).drop_nulls()
    ratio = (pair["water_use_mm_treated"] / pair["water_use_mm_check"]) / (
        pair["used_treated"] / pair["used_check"]
    ) - 1
    print(f"| season water use, strips | {frame.height} |")
    print(
        f"| relative error: median, 90th percentile | {_pct(error.median())}, {_pct(error.quantile(0.9))} |"
    )
    print(f"| mean (bias) | {_pct(relative.mean())} |")
    print(f"| 95 % interval holds the truth | {_pct(held)} |")
    print(f"| drainage within its bounds (2 mm slack) | {_pct(bounded)} |")
    print(f"| ratio treated to check: median error | {_pct(ratio.abs().median())} |")


def print_captures(frame: pl.DataFrame) -> None:
    """Error of capture by size of the event, and of its difference between the strips."""
    differences = frame.pivot(
        "strip", index=["field", "began", "days_after"], values="error"
    ).drop_nulls()
    for n in (1, 2):
        for large in (False, True):
            some = frame.filter((pl.col("days_after") == n) & (pl.col("large") == large))["error"]
            size = f"{'from' if large else 'below'} {LARGE_MM:g} mm"
            print(
                f"| capture {n} d after, {size} ({len(some)}): median error, mean "
                f"| {some.abs().median():.2f}, {some.mean():+.2f} |"
            )
        gap = differences.filter(pl.col("days_after") == n)
        print(
            f"| treated minus check {n} d after ({gap.height}): mean error "
            f"| {(gap['treated'] - gap['check']).mean():+.3f} |"
        )


def _pct(value: object) -> str:
    return f"{100 * float(value):.1f} %"  # type: ignore[arg-type]


def main(sites: int, first_seed: int) -> None:
    """Run and print."""
    use, rain = [], []
    for site in seasons(sites, first_seed):
        have = derived(site.tables)
        use.append(balances(site, have))
        rain.append(captures(site, have))
    print(f"### Water balance ({sites} simulated site-seasons, seeds from {first_seed})\n")
    print("| what | figure |\n| --- | --- |")
    print_balances(pl.concat(use))
    print_captures(pl.concat([frame for frame in rain if frame.height]))


if __name__ == "__main__":
    main(*(int(a) for a in (sys.argv[1:] + ["100", "20000"][len(sys.argv) - 1 :])))
