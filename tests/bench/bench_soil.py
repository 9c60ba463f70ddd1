"""How well the tables below ground recover what really happened, on simulated strip-seasons.

Run ``python -m tests.bench.bench_soil [SITES] [FIRST_SEED]`` in the repository's root: it prints the
section 'Below ground' of ``FIGURES.md``. Each site-season has two strips. The simulator
(``demo_warehouse/simulator/judge.py``) keeps its truth to itself until the tables are made. The
seeds, soils and loggers here are not those that the methods were set on (seeds below 1,000).
"""

from __future__ import annotations

import inspect
import sys
from collections.abc import Iterator
from importlib import import_module

import polars as pl

from demo_warehouse.simulator import judge, sensors
from schemas import made
from schemas.catalogue import TABLES
from tests.bench import soil_methods

DAILY = ("weather_day", "soil_day", "soil_pulse_day")
DERIVED = (
    "soil_quality_day",
    "soil_water_day",
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


def seasons(sites: int, first_seed: int) -> Iterator[list[judge.SiteSeason]]:
    """Batches of site-seasons over the plan's soils, depths and loggers; one in five is bare soil."""
    for batch in range(-(-sites // BATCH)):
        soil, depths, logger = PLAN[batch % len(PLAN)]
        seeds = range(first_seed + batch * BATCH, first_seed + min((batch + 1) * BATCH, sites))
        options = judge.Options(
            soil=soil,
            depths_cm=depths,
            logger=logger,
            bare=batch % 5 == 4,
            faults=("spikes", "dropout") if batch % 3 == 2 else (),
        )
        yield list(judge.strip_seasons(list(seeds), options))


def derived(have: dict[str, pl.DataFrame], names: tuple[str, ...]) -> dict[str, pl.DataFrame]:
    """The tables ``names`` made from those at hand, one after the other."""
    have = {name: made.empty(table) for name, table in TABLES.items()} | have
    for name in names:
        derive = import_module(f"transforms.{name}").derive
        have[name] = derive(**{p: have[p] for p in inspect.signature(derive).parameters})
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
        .select(*KEYS, "probe", "day", default_pct=c("uptake_mm") / c("layer_thickness_cm") * 10,
                balance_pct=c("fall_mm") / c("layer_thickness_cm") * 10)
    )  # fmt: skip
    return day.join(soil_methods.compared(have), on=["probe", "depth_cm", "day"]).join(
        uptake.select(*KEYS, "day", true_pct="uptake_10cm_mm"), on=[*KEYS, "day"]
    )


def judged(sites: int, first_seed: int) -> dict[str, pl.DataFrame]:
    """All comparisons over ``sites`` site-seasons."""
    parts: dict[str, list[pl.DataFrame]] = {}
    for batch in seasons(sites, first_seed):
        bare = batch[0].options.bare
        fields = [one.tables["season"]["field"][0] for one in batch]
        root, uptake = (
            pl.concat(
                getattr(one.truth, name).with_columns(field=pl.lit(field))
                for one, field in zip(batch, fields, strict=True)
            )
            for name in ("root", "uptake")
        )
        have = derived(_together(batch), DAILY + DERIVED)
        without = have | {"soil_pulse_day": made.empty(TABLES["soil_pulse_day"])}
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


def _together(batch: list[judge.SiteSeason]) -> dict[str, pl.DataFrame]:
    """The tables of a batch's fields as one farm's."""
    names = batch[0].tables
    tables = {name: pl.concat([one.tables[name] for one in batch]) for name in names}
    return tables | {"farm": batch[0].tables["farm"], "crop": batch[0].tables["crop"]}


def _number(value: object, digits: int = 1) -> str:
    return "–" if value is None else f"{value:.{digits}f}"


def _front_table(front: pl.DataFrame) -> list[str]:
    crop = front.filter(~pl.col("bare"))
    error = pl.col("error_d")
    figures = [
        error.count().alias("n"),
        error.median().alias("bias"),
        error.abs().median().alias("median"),
        error.abs().quantile(0.9).alias("p90"),
        ((error.abs() <= 5).mean() * 100).alias("in5"),
        pl.col("begins_error_d").abs().median().alias("begins"),
        (pl.col("held").mean() * 100).alias("held"),
        (pl.col("reached").is_not_null() & error.is_null()).sum().alias("missed"),
    ]
    rows = [("all", crop.select(figures).row(0))]
    rows += [
        (f"{depth:g} cm", group.select(figures).row(0))
        for (depth,), group in crop.sort("depth_cm").group_by("depth_cm", maintain_order=True)
    ]
    bare = front.filter("bare")
    false = bare["state"].is_in(["reached", "before the record"]).sum()
    return [
        "| depth | seen | bias d | median error d | 90 % within d | within 5 d % | median from first uptake d | interval holds % | reached, not seen |",
        "| --- | --- | --- | --- | --- | --- | --- | --- | --- |",
        *(
            f"| {name} | {r[0]} | " + " | ".join(_number(v) for v in r[1:7]) + f" | {r[7]} |"
            for name, r in rows
        ),
        "",
        f"False fronts in bare soil: {false} of {bare.height} depths ({100 * false / max(bare.height, 1):.1f} %).",
    ]


def _share_table(share: pl.DataFrame) -> list[str]:
    def line(name: str, rows: pl.DataFrame) -> str:
        error = pl.col("error").abs() * 100
        r = rows.select(
            pl.len(),
            (pl.col("same_days").mean() * 100).alias("true"),
            (pl.col("error").mean() * 100).alias("bias"),
            error.median().alias("median"),
            error.quantile(0.9).alias("p90"),
            ((error <= 3).mean() * 100).alias("in3"),
            (pl.col("difference").abs() * 100).median().alias("side"),
            (pl.col("season_error").abs() * 100).median().alias("season"),
        ).row(0)
        return f"| {name} | {r[0]} | " + " | ".join(_number(v) for v in r[1:]) + " |"

    return [
        "| depth | n | true share % | bias | median error | 90 % within | within 3 points % | median error of treated minus check | median error against the whole season |",
        "| --- | --- | --- | --- | --- | --- | --- | --- | --- |",
        line("all", share),
        *(
            line(f"{depth:g} cm", group)
            for (depth,), group in share.sort("depth_cm").group_by("depth_cm", maintain_order=True)
        ),
    ]


def _method_table(method: pl.DataFrame) -> list[str]:
    names = {
        "default_pct": "one fit of day and nights, temperature taken out (default)",
        "three_lines_pct": "three lines (Guderle and Hildebrandt 2015)",
        "step_shape_pct": "step shape (Jackisch et al. 2020)",
        "balance_pct": "balance of the day (single step)",
    }
    rows = []
    for column, name in names.items():
        error = pl.col(column) - pl.col("true_pct")
        r = (
            method.filter(pl.col(column).is_finite())
            .select(
                error.mean().alias("bias"),
                error.std().alias("sd"),
                pl.corr(column, "true_pct").alias("r"),
            )
            .row(0)
        )
        total = (
            method.filter(pl.col(column).is_finite())
            .group_by(KEYS)
            .agg(off=error.sum().abs())
            .select(pl.col("off").median())
            .item()
        )
        rows.append(
            f"| {name} | {_number(r[0], 3)} | {_number(r[1], 3)} | {_number(r[2], 2)} | {_number(total, 2)} |"
        )
    return [
        "| method | bias %/d | standard deviation of a day %/d | correlation with truth | median error of a season's sum, % by volume |",
        "| --- | --- | --- | --- | --- |",
        *rows,
    ]


def report(found: dict[str, pl.DataFrame], sites: int, first_seed: int) -> str:
    """The section of FIGURES.md."""
    lead = found["lead"]
    error = lead["error_d"].drop_nulls()
    bound = lead.filter("bound")
    lines = [
        "## Below ground",
        "",
        f"{2 * sites} simulated strip-seasons ({sites} site-seasons of two strips, seeds {first_seed} to {first_seed + sites - 1}; "
        f"four soils, two sets of depths, four loggers, frozen winters, faults), by `python -m tests.bench.bench_soil {sites} {first_seed}`. "
        "Truth is the simulator's: the day on which the front passes the sensor's depth, and the uptake of the layer.",
        "",
        "### Root front, readings every 15 to 60 minutes",
        "",
        *_front_table(found["front"]),
        "",
        f"Lead of the treated strip (both seen): {len(error)} pairs, bias {_number(error.median())} d, median error {_number(error.abs().median())} d, "
        f"90 % within {_number(error.abs().quantile(0.9))} d, within 3 d {100 * (error.abs() <= 3).mean():.0f} %, interval holds {100 * lead['held'].drop_nulls().mean():.0f} %. "
        f"Bounds where one strip was not seen to get there: {bound.height}, wrong {int(bound['wrong_bound'].sum())}.",
        "",
        "### Root front from one value a day (balance)",
        "",
        *_front_table(found["front_daily"]),
        "",
        "### Share of each depth in the season's uptake, percentage points",
        "",
        *_share_table(found["share"]),
        "",
        "The same from one value a day:",
        "",
        *_share_table(found["share_daily"]),
        "",
        "### Uptake of a day by method (sensors below the reach of the surface, dry days of the season)",
        "",
        *_method_table(found["method"]),
        "",
    ]
    return "\n".join(lines)


if __name__ == "__main__":
    asked = [int(a) for a in sys.argv[1:]] + [100, 1001][len(sys.argv) - 1 :]
    print(report(judged(asked[0], asked[1]), asked[0], asked[1]))
