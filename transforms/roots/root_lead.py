"""By how many days the treated strip's roots were ahead, depth by depth.

Lead = day on which the check strip's roots reached the depth minus that of the treated strip;
positive where the treated strip was first. Where both days are known, the lead is fitted to the
uptake of both strips together (``root_onset.shift``): under the same demand for water (reference
evapotranspiration) and with the same length of rise, what is fitful or unsure in both falls out of
the difference. So it may differ by some days from the difference of the two days, each of which
was found alone; in simulation it was the better figure of the two.

Where only one strip's day is known something is known all the same, as in any record that ends too
early (censored): the check's roots had not come as long as its record shows not even weak uptake, so
the lead is at least that day minus the treated strip's latest day; the other way round it is at
most. Roots that come late may draw too little to be sure of, so the end of the record itself is no
bound. Nothing is claimed where the other strip was not watched well enough.
"""

from datetime import date

import numpy as np
import polars as pl

from schemas import generated
from schemas.tables.roots.root_lead import TABLE
from transforms.methods.texts import joined
from transforms.roots.methods import root_series
from transforms.roots.methods.root_onset import Array, Fit, fit, shift

PART = "field season"

KEY = ["field", "season", "depth_cm"]
TAKEN = [
    "day",
    "earliest_day",
    "latest_day",
    "quiet_until_day",
    "state",
    "coverage",
    "partial",
    "reason",
]


def derive(
    root_arrival: pl.DataFrame,
    drawdown_day: pl.DataFrame,
    soil_water_day: pl.DataFrame,
    evapotranspiration_day: pl.DataFrame,
    season: pl.DataFrame,
) -> pl.DataFrame:
    """One row a season and depth at which either strip has a sensor. Leads in days."""
    sides = [
        root_arrival.filter(pl.col("strip") == strip).select(
            *KEY,
            pl.col("crop").alias(f"crop_{strip}"),
            *(pl.col(name).alias(f"{strip}_{name}") for name in TAKEN),
        )
        for strip in ("treated", "check")
    ]
    rows = sides[0].join(sides[1], on=KEY, how="full", coalesce=True)
    both = rows.filter(pl.col("treated_day").is_not_null() & pl.col("check_day").is_not_null())
    drawn = root_series.days(drawdown_day, soil_water_day, season)
    rows = rows.join(
        _together(both, drawn, root_arrival, evapotranspiration_day), on=KEY, how="left"
    )
    return generated.conform(_with_reason(_with_lead(rows)).select(TABLE.names), TABLE).sort(
        TABLE.key
    )


def _together(
    both: pl.DataFrame, drawn: pl.DataFrame, root_arrival: pl.DataFrame, demand: pl.DataFrame
) -> pl.DataFrame:
    """Lead and its ends from the course of both strips, where a rise is seen in both."""
    asked = demand.group_by("field", "day").agg(pl.col("reference_et_mm").mean())
    wanted = drawn.join(both.select(KEY), on=KEY, how="semi").join(
        asked, on=["field", "day"], how="left"
    )
    not_before = {
        (field, season, strip, depth): first
        for field, season, strip, depth, first in root_arrival.sort("depth_cm")
        .with_columns(
            above=pl.col("earliest_day").forward_fill().shift(1).over("field", "season", "strip")
        )
        .select("field", "season", "strip", "depth_cm", pl.max_horizontal("above", "possible_from"))
        .iter_rows()
    }
    about = {
        tuple(key): (check - treated).days
        for *key, treated, check in both.select(*KEY, "treated_day", "check_day").iter_rows()
    }
    found = []
    for (field, season, depth), group in wanted.group_by(KEY, maintain_order=True):
        first: date = group["day"].min()  # type: ignore[assignment]
        fits = [
            _fit(
                strip,
                first,
                not_before.get((field, season, strip.row(0, named=True)["strip"], depth)),
            )
            for _, strip in group.sort("strip", "day").group_by("strip", maintain_order=True)
        ]
        if len(fits) == 2 and fits[0] is not None and fits[1] is not None:
            # check stands before treated
            lead = shift(fits[1], fits[0], about[field, season, depth])
            found.append((field, season, depth, lead.day, lead.low, lead.high))
    names = ("shift_d", "shift_low_d", "shift_high_d")
    schema = pl.Schema({n: drawn.schema[n] for n in KEY} | dict.fromkeys(names, pl.Float64()))
    return pl.DataFrame(found, schema=schema, orient="row").with_columns(
        pl.col(names[0]).round(0), pl.col(names[1]).floor(), pl.col(names[2]).ceil()
    )


def _fit(strip: pl.DataFrame, first: date, not_before: date | None) -> Fit | None:
    """The fit of a rise in one strip's rows, its days counted from ``first``."""
    drawn = root_series.series(strip, not_before, first)
    asked: Array = np.full(len(drawn.uptake), np.nan)
    asked[root_series.positions(strip["day"], first)] = strip["reference_et_mm"].to_numpy()
    return fit(drawn.uptake, drawn.look, asked)


def _with_lead(rows: pl.DataFrame) -> pl.DataFrame:
    """Add the lead and its ends, and which strips are known to have got there."""
    c = pl.col

    def apart(later: str, earlier: str) -> pl.Expr:
        return (c(later) - c(earlier)).dt.total_days().cast(pl.Float64)

    lead = apart("check_day", "treated_day")
    less = (
        apart("check_day", "check_earliest_day") ** 2
        + apart("treated_latest_day", "treated_day") ** 2
    ).sqrt()
    more = (
        apart("check_latest_day", "check_day") ** 2
        + apart("treated_day", "treated_earliest_day") ** 2
    ).sqrt()
    there = {
        s: c(f"{s}_state").is_in(["reached", "before the record"]).fill_null(False)
        for s in ("treated", "check")
    }
    not_there = {s: (c(f"{s}_state") == "not seen").fill_null(False) for s in ("treated", "check")}
    # 'before the record' has no day, only a latest day
    check_after = (
        pl.when(not_there["check"]).then("check_quiet_until_day").otherwise("check_earliest_day")
    )
    treated_after = (
        pl.when(not_there["treated"])
        .then("treated_quiet_until_day")
        .otherwise("treated_earliest_day")
    )
    at_least = (check_after - c("treated_latest_day")).dt.total_days().cast(pl.Float64)
    at_most = (c("check_latest_day") - treated_after).dt.total_days().cast(pl.Float64)
    return rows.with_columns(
        lead_d=pl.coalesce("shift_d", lead),
        lead_low_d=pl.when(lead.is_not_null())
        .then(pl.coalesce("shift_low_d", lead - less))
        .when(there["treated"])
        .then(at_least),
        lead_high_d=pl.when(lead.is_not_null())
        .then(pl.coalesce("shift_high_d", lead + more))
        .when(there["check"])
        .then(at_most),
        known=pl.when(there["treated"] & there["check"])
        .then(pl.lit("both"))
        .when(there["treated"])
        .then(pl.lit("treated only"))
        .when(there["check"])
        .then(pl.lit("check only"))
        .otherwise(pl.lit("neither")),
    )


def _with_reason(rows: pl.DataFrame) -> pl.DataFrame:
    """Add coverage, partial, and each strip's reason where there is no lead."""
    c = pl.col
    reasons = joined(
        *(
            pl.when(c(f"{s}_day").is_null()).then(
                pl.concat_str(
                    pl.lit(f"{s}: "),
                    c(f"{s}_reason").fill_null("no sensor at this depth"),
                )
            )
            for s in ("treated", "check")
        )
    )
    return rows.with_columns(
        crop=pl.coalesce("crop_treated", "crop_check"),
        coverage=pl.min_horizontal(
            c("treated_coverage").fill_null(0.0), c("check_coverage").fill_null(0.0)
        ),
        partial=c("lead_d").is_null()
        | c("treated_partial").fill_null(True)
        | c("check_partial").fill_null(True),
        reason=pl.when(c("lead_d").is_null())
        .then(reasons)
        .when(c("treated_partial").fill_null(True) | c("check_partial").fill_null(True))
        .then(pl.lit("part of the days were not measured")),
    )
