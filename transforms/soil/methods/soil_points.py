"""Full point and dry point of a layer, as its own record shows them.

The full point (drained upper limit) is where water content comes to rest after a wetting, once
free drainage is over; the dry point is the lowest water content that was sustained for a week.
Reading both off the record of the sensor needs no laboratory and takes the sensor's own error
along. Ratliff, Ritchie and Cassel 1983 (Soil Science Society of America Journal 47, 770-775)
define the field-measured limits as: after thorough wetting, when the fall is down to 0.1 to 0.2 %
a day (from memory); and the lowest after plants have stopped taking water.
"""

from __future__ import annotations

import polars as pl

LAYER = ["probe", "field", "strip", "depth_cm"]

WETTING_PCT = 1.0  # rise over two days that counts as a wetting
REST_PCT_D = 0.3  # fall per day below which free drainage is over
REST_FROM, REST_TO = 2, 10  # days after the peak between which rest is looked for
ALIKE_PCT = 1.5  # plateaus this close to the highest third are wettings to the full point
LEAST_RANGE_PCT = 2.0  # full minus dry below which no share of the range is given
SUSTAINED_DAYS = 7
LEAST_DAYS = 60  # record below which neither point is read off


def points(rows: pl.DataFrame) -> pl.DataFrame:
    """Full and dry points by probe, field, strip and depth.

    ``rows`` has those columns, ``day`` (every day, gaps as null) and ``vwc_pct`` (usable days
    only, in %). Returns ``full_point_pct``, ``full_point_from``, ``wettings``, ``dry_point_pct``,
    ``dry_point_from``; the points are null where the record is shorter than 60 usable days.
    """
    v = pl.col("vwc_pct")
    known = rows.sort(*LAYER, "day").with_columns(
        smooth=v.rolling_median(3, center=True, min_samples=2).over(LAYER, order_by="day"),
        sustained=v.rolling_max(SUSTAINED_DAYS).over(LAYER, order_by="day"),
    )
    return (
        known.group_by(LAYER)
        .agg(
            usable=v.count(),
            dry_point_pct=pl.col("sustained").min(),
            highest=pl.col("smooth").quantile(0.98),
        )
        .join(_full(known), on=LAYER, how="left")
        .with_columns(
            enough=pl.col("usable") >= LEAST_DAYS, wettings=pl.col("wettings").fill_null(0)
        )
        .select(
            *LAYER,
            full_point_pct=pl.when("enough").then(pl.coalesce("full_point_pct", "highest")),
            full_point_from=pl.when("enough").then(
                pl.when(pl.col("full_point_pct").is_not_null())
                .then(pl.lit("record"))
                .otherwise(pl.lit("highest seen"))
            ),
            wettings=pl.col("wettings").cast(pl.Int64),
            dry_point_pct=pl.when("enough").then("dry_point_pct"),
            dry_point_from=pl.when(pl.col("enough") & pl.col("dry_point_pct").is_not_null()).then(
                pl.lit("record")
            ),
        )
    )


def _full(known: pl.DataFrame) -> pl.DataFrame:
    """Median of the plateaus alike to the highest third, and how many they are."""
    v = pl.col("smooth")

    def over(expr: pl.Expr) -> pl.Expr:
        return expr.over(LAYER, order_by="day")

    fall = over((v - v.shift(-2)) / 2)
    peak = over(v >= v.rolling_max(7, center=True, min_samples=3))
    rise = over(v - pl.min_horizontal(v.shift(i) for i in (2, 3, 4)))
    marked = known.with_columns(
        fall=fall,
        peaks=peak & (rise >= WETTING_PCT),
    ).with_columns(
        peak_day=over(pl.when("peaks").then(pl.col("day")).forward_fill()),
    )
    plateaus = (
        marked.with_columns(since=(pl.col("day") - pl.col("peak_day")).dt.total_days())
        .filter(
            pl.col("since").is_between(REST_FROM, REST_TO)
            & pl.col("fall").is_between(-REST_PCT_D, REST_PCT_D)
            & v.is_not_null()
        )
        .group_by(*LAYER, "peak_day")
        .agg(plateau=v.sort_by("day").first(), first=pl.col("day").min())
        # peaks on neighbouring days are one wetting
        .sort(*LAYER, "peak_day")
        .filter(
            (pl.col("peak_day").diff().dt.total_days() > REST_FROM)
            .fill_null(True)
            .over(LAYER, order_by="peak_day")
        )
    )
    top = plateaus.with_columns(
        third=pl.col("plateau").quantile(5 / 6, "nearest").over(LAYER)
    ).filter((pl.col("plateau") - pl.col("third")).abs() <= ALIKE_PCT)
    return top.group_by(LAYER).agg(full_point_pct=pl.col("plateau").median(), wettings=pl.len())
