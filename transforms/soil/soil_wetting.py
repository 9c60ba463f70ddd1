"""Wettings of a layer, and where it came to rest after each.

A peak is a rise within a few days. From the second to the tenth day after it the first on which
the content hardly falls any more is its rest: free drainage is over. Ratliff, Ritchie and Cassel 1983 (Soil
Science Society of America Journal 47, 770-775) define the field-measured limit so: after thorough
wetting, when the fall is down to 0.1 to 0.2 % a day (from memory).
"""

import polars as pl

from schemas import generated
from schemas.tables.soil.soil_wetting import TABLE
from transforms.soil.methods.layer_record import LAYER, stretches, with_content

PART = "probe year"
MARGIN_MONTHS = 1  # the days of a rise, and those after it up to rest

WETTING_PCT = 1.0  # rise over two days that counts as a wetting
REST_PCT_D = 0.3  # fall per day below which free drainage is over
REST_FROM, REST_TO = 2, 10  # days after the peak between which rest is looked for


def derive(
    soil_day: pl.DataFrame, soil_quality_day: pl.DataFrame, soil_offset: pl.DataFrame
) -> pl.DataFrame:
    """One row a wetting that came to rest. Water contents in %."""
    v = pl.col("smooth_pct")

    def over(expr: pl.Expr) -> pl.Expr:
        return expr.over("stretch")

    rows = stretches(with_content(soil_day, soil_quality_day, soil_offset)).with_columns(
        fall=over((v - v.shift(-2)) / 2),
        highest=over(v.rolling_max(7, center=True, min_samples=3)),
        rise=v - over(pl.min_horizontal(v.shift(i) for i in (2, 3, 4))),
    )
    peaks = (v >= pl.col("highest")) & (pl.col("rise") >= WETTING_PCT)
    rests = (
        rows.with_columns(peak_day=over(pl.when(peaks).then("day").forward_fill()))
        .with_columns(since=(pl.col("day") - pl.col("peak_day")).dt.total_days())
        .filter(
            pl.col("since").is_between(REST_FROM, REST_TO)
            & pl.col("fall").is_between(-REST_PCT_D, REST_PCT_D)
            & v.is_not_null()
        )
        .unique([*LAYER, "peak_day"], keep="first", maintain_order=True)
        .select(*LAYER, day="peak_day", rest_day="day", rest_pct="smooth_pct")
    )
    # Peaks on neighboring days are one wetting.
    again = pl.col("day").diff().over(LAYER).dt.total_days() <= REST_FROM
    rests = rests.filter(~again.fill_null(False))
    return generated.conform(rests.select(TABLE.names), TABLE).sort(TABLE.key)
