"""How well the tables below ground recover what really happened, on simulated strip-seasons.

Run ``python -m tests.bench.bench_soil [SITES] [FIRST_SEED]`` in the repository's root: it prints the
section 'Below ground' of ``FIGURES.md``. Each site-season has two strips. The simulator
(``demo_warehouse/simulator/judge.py``) keeps its truth to itself until the tables are made. The
seeds, soils and loggers here are not those that the methods were set on (seeds below 1,000).
"""

from __future__ import annotations

import inspect
import sys

import polars as pl

from demo_warehouse.simulator import judge, sensors
from flows.derive import making
from schemas import generated
from schemas.catalogue import TABLES
from tests.bench import soil_methods, soil_report

DAILY = ("weather_day", "soil_day", "soil_pulse_day")
DERIVED = (
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
    "evaporation_bare",
    "evaporation_seen",
    "drawdown_day",
    "root_arrival",
    "root_lead",
    "drawdown_season",
)
BATCH = 10
LOGGERS = (
    sensors.Logger(),
    sensors.Logger(step_min=15, resolution_pct=0.01, noise_pct=0.10),
    sensors.Logger(step_min=30, resolution_pct=0.1, noise_pct=0.03, temperature_pct_c=0.08),
    sensors.Logger(resolution_pct=0.05, noise_pct=0.15, drift_pct_year=0.5, settling_pct=2.0),
)
PLAN = tuple(
    (soil, depths, LOGGERS[i % len(LOGGERS)])
    for i, (soil, depths) in enumerate(
        (s, d)
        for d in ((10, 30, 50, 70, 100), (20, 40, 60, 80, 100))
        for s in ("clay", "silty clay", "clay loam", "loam")
    )
)
KEYS = ["field", "strip", "depth_cm"]


def batch_of(number: int, sites: int, first_seed: int) -> list[judge.SiteSeason]:
    """Batch ``number`` of site-seasons, by the plan's soils, depths and loggers; one in five is bare."""
    soil, depths, logger = PLAN[number % len(PLAN)]
    options = judge.Options(
        soil=soil,
        depths_cm=depths,
        logger=logger,
        bare=number % 5 == 4,
        faults=("spikes", "gap") if number % 3 == 2 else (),
    )
    seeds = range(first_seed + number * BATCH, first_seed + min((number + 1) * BATCH, sites))
    return list(judge.strip_seasons(list(seeds), options))


def derived(have: dict[str, pl.DataFrame], names: tuple[str, ...]) -> dict[str, pl.DataFrame]:
    """The tables ``names`` made from those at hand, one after the other."""
    have = {name: generated.empty(table) for name, table in TABLES.items()} | have
    for name in names:
        made_by = making.function(name)
        have[name] = made_by(**{p: have[p] for p in inspect.signature(made_by).parameters})
    return have


def fronts(have: dict[str, pl.DataFrame], root: pl.DataFrame, bare: bool) -> pl.DataFrame:
    """Arrivals beside the truth, depths at which the tables tell an arrival."""
    return (
        have["root_arrival"]
        .join(root, on=KEYS)
        .filter(pl.col("depth_cm") >= 15)
        .select(
            *KEYS,
            "state",
            "reached",
            bare=pl.lit(bare),
            error_d=(pl.col("day") - pl.col("reached")).dt.total_days(),
            begins_error_d=(pl.col("day") - pl.col("uptake_begins")).dt.total_days(),
            held=pl.col("reached").is_between("earliest_day", "latest_day"),
        )
    )


def leads(have: dict[str, pl.DataFrame], root: pl.DataFrame) -> pl.DataFrame:
    """Leads beside the truth; ``wrong_bound`` where only one strip was seen and the bound fails."""
    c = pl.col
    both = root.pivot(
        "strip", on_columns=["treated", "check"], index=["field", "depth_cm"], values="reached"
    )
    true = (c("check") - c("treated")).dt.total_days()
    beyond = (true < c("lead_low_d")).fill_null(False) | (true > c("lead_high_d")).fill_null(False)
    return (
        have["root_lead"]
        .join(both, on=["field", "depth_cm"])
        .filter(c("depth_cm") >= 15)
        .select(
            "depth_cm",
            "known",
            error_d=c("lead_d") - true,
            held=true.is_between("lead_low_d", "lead_high_d"),
            bound=c("lead_d").is_null()
            & (c("lead_low_d").is_not_null() | c("lead_high_d").is_not_null()),
            wrong_bound=c("lead_d").is_null() & beyond,
        )
    )


def shares(have: dict[str, pl.DataFrame], uptake: pl.DataFrame) -> pl.DataFrame:
    """Season's shares by depth beside the truth of the same days and of the whole season."""
    c = pl.col
    given = have["drawdown_season"].filter(c("uptake_share").is_not_null())
    depths = given.select(*KEYS, "season")
    counted = (
        have["drawdown_day"]
        .filter("both_strips")
        .join(depths, on=[*KEYS, "season"])
        .with_columns(n=c("depth_cm").n_unique().over("field", "season"))
        .filter(c("depth_cm").n_unique().over("field", "day") == c("n"))
        .select(*KEYS, "day")
        .join(have["season"].select("field", begins=c("seeded").dt.offset_by("10d")), on="field")
        .filter(c("day") >= c("begins"))
    )
    truth = uptake.join(depths.select(KEYS), on=KEYS)
    total = c("uptake_mm").sum().over("field", "strip")

    def share(frame: pl.DataFrame, name: str) -> pl.DataFrame:
        return (
            frame.group_by(KEYS)
            .agg(c("uptake_mm").sum())
            .with_columns(c("uptake_mm") / total)
            .rename({"uptake_mm": name})
        )

    same = share(truth.join(counted, on=[*KEYS, "day"]), "same_days")
    rows = (
        given.select(*KEYS, "uptake_share")
        .join(same, on=KEYS)
        .join(share(truth, "season_share"), on=KEYS)
    )
    off = rows.with_columns(error=c("uptake_share") - c("same_days"))
    sides = [off.filter(c("strip") == strip) for strip in ("treated", "check")]
    difference = (
        sides[0]
        .join(sides[1], on=["field", "depth_cm"])
        .select("field", "depth_cm", difference=c("error") - c("error_right"))
    )
    return off.join(difference, on=["field", "depth_cm"], how="left").with_columns(
        season_error=c("uptake_share") - c("season_share")
    )


def methods(have: dict[str, pl.DataFrame], uptake: pl.DataFrame) -> pl.DataFrame:
    """Uptake of single days in % by each method beside that of the sensor's own 10 cm (mm = %)."""
    c = pl.col
    day = (
        have["drawdown_day"]
        .filter(
            (c("method") == "day-night")
            & c("uptake_mm").is_not_null()
            & c("season").is_not_null()
            & (c("rain_mm") < 1)
        )
        .select(
            *KEYS,
            "probe",
            "day",
            default_pct=c("uptake_mm") / c("layer_thickness_cm") * 10,
            balance_pct=c("fall_mm") / c("layer_thickness_cm") * 10,
        )
    )
    return day.join(soil_methods.compared(have), on=["probe", "depth_cm", "day"]).join(
        uptake.select(*KEYS, "day", true_pct="uptake_10cm_mm"), on=[*KEYS, "day"]
    )


def judged(sites: int, first_seed: int, numbers: range | None = None) -> dict[str, pl.DataFrame]:
    """All comparisons over ``sites`` site-seasons (of the batches ``numbers``, else of all)."""
    parts: dict[str, list[pl.DataFrame]] = {}
    for number in numbers or range(-(-sites // BATCH)):
        batch = batch_of(number, sites, first_seed)
        bare = batch[0].options.bare
        root, uptake = (truths(batch, name) for name in ("root", "uptake"))
        have = derived(together(batch), DAILY + DERIVED)
        without = have | {"soil_pulse_day": generated.empty(TABLES["soil_pulse_day"])}
        once_a_day = derived(without, DERIVED)
        found = {
            "front": fronts(have, root, bare),
            "front_daily": fronts(once_a_day, root, bare),
        }
        if not bare:
            found |= {
                "lead": leads(have, root),
                "share": shares(have, uptake),
                "share_daily": shares(once_a_day, uptake),
                "method": methods(have, uptake),
            }
        for name, frame in found.items():
            parts.setdefault(name, []).append(frame)
        print(".", end="", file=sys.stderr, flush=True)
    return {name: pl.concat(frames) for name, frames in parts.items()}


def truths(batch: list[judge.SiteSeason], name: str) -> pl.DataFrame:
    """What really happened in a batch's fields, as one frame with ``field``."""
    return pl.concat(
        getattr(one.truth, name).with_columns(field=pl.lit(one.tables["season"]["field"][0]))
        for one in batch
    )


def together(batch: list[judge.SiteSeason]) -> dict[str, pl.DataFrame]:
    """The tables of a batch's fields as one farm's."""
    names = batch[0].tables
    tables = {name: pl.concat([one.tables[name] for one in batch]) for name in names}
    return tables | {"farm": batch[0].tables["farm"], "crop": batch[0].tables["crop"]}


if __name__ == "__main__":
    asked = [int(a) for a in sys.argv[1:]] + [100, 1001][len(sys.argv) - 1 :]
    print(soil_report.report(judged(asked[0], asked[1]), asked[0], asked[1]))
