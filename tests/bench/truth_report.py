"""The section 'More than one truth' of FIGURES.md, written from what ``bench_truths`` found."""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

from tests.bench.soil_report import head

if TYPE_CHECKING:
    from tests.bench.bench_truths import Found

BY = ["truth", "step"]
SURE = 1000  # cases from which a coverage needs no error beside it


def _days(value: object) -> str:
    return "–" if value is None else f"{value:.1f}"


def _percent(flags: pl.Series) -> str:
    """Share of true in percent, with its standard error where there are fewer than ``SURE`` cases.

    As '94 ± 2'; where all cases are alike the plain error would be 0, so the cases stand instead:
    '100 (32)'.
    """
    known = flags.drop_nulls()
    if known.is_empty():
        return "–"
    share = float(known.cast(pl.Float64).mean())  # type: ignore[arg-type]
    if len(known) >= SURE:
        return f"{100 * share:.0f}"
    if share in (0.0, 1.0):
        return f"{100 * share:.0f} ({len(known)})"
    error = (share * (1 - share) / len(known)) ** 0.5
    return f"{100 * share:.0f} ± {100 * error:.0f}"


def _errors(error: pl.Series) -> list[str]:
    """Bias (median), median error and the error that 90% are within."""
    size = error.abs()
    return [_days(error.median()), _days(size.median()), _days(size.quantile(0.9))]


def _front(rows: pl.DataFrame) -> list[str]:
    reached = rows.filter(pl.col("reached").is_not_null())
    false = rows.filter(pl.col("reached").is_null())["known"].sum()
    return [
        str(reached["error_d"].count()),
        _percent(reached["known"]),
        *_errors(reached["error_d"].drop_nulls()),
        _percent(rows["held"]),
        f"{rows['early'].sum()}, {false}",
    ]


def _lead(rows: pl.DataFrame) -> list[str]:
    error = rows["error_d"].drop_nulls()
    bounds = rows.filter("bound")
    return [
        str(len(error)),
        *_errors(error),
        _percent(rows["held"]),
        f"{int(bounds['wrong_bound'].sum())} of {bounds.height}",
    ]


def _share(rows: pl.DataFrame) -> list[str]:
    same, season = (100 * rows[name].drop_nulls().abs() for name in ("error", "season_error"))
    return [
        str(len(same)),
        _days(same.median()),
        _days(same.quantile(0.9)),
        _days(season.median()),
    ]


def _use(rows: pl.DataFrame) -> list[str]:
    c = pl.col
    made = rows.with_columns(
        relative=100 * (c("water_use_mm") / c("used") - 1),
        held=(c("water_use_mm") - c("used")).abs() < 1.96 * c("water_use_se_mm"),
        bounded=c("drained").is_between(c("drainage_low_mm") - 2.0, c("drainage_high_mm") + 2.0),
        width=100 * (c("drainage_high_mm") - c("drainage_low_mm")) / c("used"),
        off=c("drainage_mm") - c("drained"),
    )
    return [
        str(made.height),
        _days(made["relative"].mean()),
        _days(made["relative"].abs().quantile(0.9)),
        _percent(made["held"]),
        _days(made["drained"].mean()),
        _days(made["off"].mean()),
        _percent(made["bounded"]),
        _days(made["width"].median()),
    ]


def _change(rows: pl.DataFrame) -> list[str]:
    c = pl.col
    made = rows.filter(c("strip") == "treated").with_columns(
        error=c("efficiency_change_pct") - c("true_change_pct"),
        half=(c("efficiency_change_high_pct") - c("efficiency_change_low_pct")) / 2,
        held=c("true_change_pct").is_between(
            "efficiency_change_low_pct", "efficiency_change_high_pct"
        ),
    )
    return [
        str(made["error"].count()),
        _days(made["error"].abs().median()),
        _days(made["half"].median()),
        _percent(made["held"]),
    ]


TABLES = {
    "Root front, days": (
        "front",
        "days told | reached depths seen % | bias | median error | 90% within | interval holds % "
        "| before emergence, never reached",
        _front,
    ),
    "Lead of the treated strip, days": (
        "lead",
        "pairs | bias | median error | 90% within | interval holds % | wrong bounds",
        _lead,
    ),
    "Share of each depth, percentage points": (
        "share",
        "n | same days: median error | 90% within | whole season: median error",
        _share,
    ),
    "Water use and drainage": (
        "use",
        "strips | bias % | 90% within % | interval holds % | true drainage mm | its bias mm "
        "| bounds hold % (2 mm slack) | median width, % of use",
        _use,
    ),
    "Change of water use efficiency, points": (
        "use",
        "pairs | median error | median half-width | interval holds %",
        _change,
    ),
}


def report(found: Found, sites: int, first_seed: int) -> str:
    """The section of FIGURES.md."""
    lines = [
        "### More than one truth",
        "",
        f"{sites} site-seasons of two strips for each truth, seeds {first_seed} to "
        f"{first_seed + sites - 1}, by `python -m tests.bench.bench_truths {sites} {first_seed}`.",
    ]
    for title, (name, columns, row) in TABLES.items():
        frame: pl.DataFrame = getattr(found, name)
        lines += ["", f"#### {title}", "", *head(f"truth | readings every | {columns}")]
        lines += [
            f"| {key[0]} | {key[1]} | " + " | ".join(row(group)) + " |"
            for key, group in frame.group_by(BY, maintain_order=True)
        ]
    return "\n".join(lines) + "\n"
