"""The section 'Below ground' of FIGURES.md, written from what ``bench_soil`` found."""

from __future__ import annotations

import polars as pl

KEYS = ["field", "strip", "depth_cm"]


def _number(value: object, digits: int = 1) -> str:
    return "–" if value is None else f"{value:.{digits}f}"


def head(columns: str) -> list[str]:
    """Return the two lines that begin a table of Markdown."""
    return [f"| {columns} |", "|" + " --- |" * (columns.count("|") + 1)]


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
        *head(
            "depth | seen | bias d | median error d | 90 % within d | within 5 d % "
            "| median from first uptake d | interval holds % | reached, not seen"
        ),
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
        *head(
            "depth | n | true share % | bias | median error | 90 % within | within 3 points % "
            "| median error of treated minus check | median error against the whole season"
        ),
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
        figures = (_number(r[0], 3), _number(r[1], 3), _number(r[2], 2), _number(total, 2))
        rows.append(f"| {name} | {' | '.join(figures)} |")
    return [
        *head(
            "method | bias %/d | standard deviation of a day %/d | correlation with truth "
            "| median error of a season's sum, % by volume"
        ),
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
        f"{2 * sites} simulated strip-seasons ({sites} site-seasons of two strips, "
        f"seeds {first_seed} to {first_seed + sites - 1}; four soils, two sets of depths, four "
        "loggers, frozen winters, faults), by "
        f"`python -m tests.bench.bench_soil {sites} {first_seed}`. Truth is the simulator's: the "
        "day on which the front passes the sensor's depth, and the uptake of the layer.",
        "",
        "### Root front, readings every 15 to 60 minutes",
        "",
        *_front_table(found["front"]),
        "",
        f"Lead of the treated strip (both seen): {len(error)} pairs, bias "
        f"{_number(error.median())} d, median error {_number(error.abs().median())} d, "
        f"90 % within {_number(error.abs().quantile(0.9))} d, "
        f"within 3 d {100 * (error.abs() <= 3).mean():.0f} %, "
        f"interval holds {100 * lead['held'].drop_nulls().mean():.0f} %. "
        "Bounds where one strip was not seen to get there: "
        f"{bound.height}, wrong {int(bound['wrong_bound'].sum())}.",
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
