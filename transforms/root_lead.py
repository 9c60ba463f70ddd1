"""By how many days the treated strip's roots were ahead, depth by depth.

Lead = day on which the check strip's roots reached the depth minus that of the treated strip;
positive where the treated strip was first. The interval joins those of both strips as independent:
each end is the lead less (or more) the root of the sum of squares of the two distances.

Where only one strip's day is known something is known all the same, as in any record that ends too
early (censored): the check's roots had not come as long as its record shows not even weak uptake, so
the lead is at least that day minus the treated strip's latest day; the other way round it is at
most. Roots that come late may draw too little to be sure of, so the end of the record itself is no
bound. Nothing is claimed where the other strip was not watched well enough.
"""

from __future__ import annotations

import polars as pl

from schemas import made
from schemas.catalogue import TABLES

TABLE = TABLES["root_lead"]

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


def derive(root_arrival: pl.DataFrame) -> pl.DataFrame:
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
    return made.conform(_said(_lead(rows)).select(TABLE.names), TABLE).sort(TABLE.key)


def _lead(rows: pl.DataFrame) -> pl.DataFrame:
    """The lead and its ends, and which strips are known to have got there."""
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
        lead_d=lead,
        lead_low_d=pl.when(lead.is_not_null())
        .then(lead - less)
        .when(there["treated"])
        .then(at_least),
        lead_high_d=pl.when(lead.is_not_null())
        .then(lead + more)
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


def _said(rows: pl.DataFrame) -> pl.DataFrame:
    """Coverage, partial, and each strip's reason where there is no lead."""
    c = pl.col
    said = pl.concat_str(
        [
            pl.when(c(f"{s}_day").is_null()).then(
                pl.concat_str(
                    pl.lit(f"{s}: "),
                    c(f"{s}_reason").fill_null("no sensor at this depth"),
                )
            )
            for s in ("treated", "check")
        ],
        separator="; ",
        ignore_nulls=True,
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
        .then(said)
        .when(c("treated_partial").fill_null(True) | c("check_partial").fill_null(True))
        .then(pl.lit("part of the days were not measured")),
    )
