"""Water in each layer of the soil, day by day.

Storage (mm) = mean volumetric water content (%) / 100 x thickness (mm), the layers as in
``soil_layers``: midpoints between sensors, first from the surface, last as far below its sensor
as its top is above it. A sensor that is dead, frozen or unusable that day gives no storage: the
row stands with the reason, never with zero.

``available_water_share`` = (water content - lower limit) / (drained upper limit - lower limit): 0
at the lower limit, 1 at the drained upper limit, more while the layer still drains. The limits
are the user's where the sensor has them, else the record's own (``limits``), and the row says
which and how many wettings stand behind the drained upper limit. They are of the whole record so
far, so an early day's share may move a little as the record grows.
"""

import polars as pl

from schemas import generated
from schemas.tables.soil.soil_water_day import TABLE
from transforms.methods.texts import joined
from transforms.soil.methods.soil_layers import with_layers

PART = "probe"

LAYER = ["probe", "field", "strip", "depth_cm"]

WETTING_PCT = 1.0  # rise over two days that counts as a wetting
REST_PCT_D = 0.3  # fall per day below which free drainage is over
REST_FROM, REST_TO = 2, 10  # days after the peak between which rest is looked for
ALIKE_PCT = 1.5  # plateaus this close to the highest third are wettings to the drained upper limit
LEAST_RANGE_PCT = 2.0  # upper minus lower limit below which no share of the range is given
SUSTAINED_DAYS = 7
MOST_ABOVE = 0.5  # share of its days above which a point is no upper limit
LEAST_DAYS = 60  # record below which neither limit is read off


def derive(
    soil_day: pl.DataFrame, soil_quality_day: pl.DataFrame, sensor: pl.DataFrame
) -> pl.DataFrame:
    """One row a layer and day of the probe's record. Depths in cm, water in % and mm."""
    rows = soil_quality_day.join(
        soil_day.select("probe", "depth_cm", "day", "vwc_mean_pct"),
        on=["probe", "depth_cm", "day"],
        how="left",
    ).with_columns(
        vwc_pct=pl.when(pl.col("usable")).then(
            (pl.col("vwc_mean_pct") + pl.col("offset_pct").fill_null(0.0)).clip(0, 100)
        )
    )
    rows = _with_limits(with_layers(rows, ["probe", "day"]), sensor)
    thickness_mm = (pl.col("layer_bottom_cm") - pl.col("layer_top_cm")) * 10
    width = pl.col("drained_upper_limit_pct") - pl.col("lower_limit_pct")
    rows = rows.with_columns(
        storage_mm=pl.col("vwc_pct") / 100 * thickness_mm,
        available_water_share=pl.when(width >= LEAST_RANGE_PCT).then(
            ((pl.col("vwc_pct") - pl.col("lower_limit_pct")) / width).clip(-10, 10)
        ),
    )
    no_range = pl.col("available_water_share").is_null() & pl.col("vwc_pct").is_not_null()
    rows = rows.with_columns(
        partial=pl.col("partial") | no_range,
        reason=joined(
            "reason",
            pl.when(no_range).then(
                pl.lit(
                    "the record has not yet seen this layer both at its drained upper limit and dry"
                )
            ),
        ),
    )
    return generated.conform(rows.select(TABLE.names), TABLE).sort(TABLE.key)


def _with_limits(rows: pl.DataFrame, sensor: pl.DataFrame) -> pl.DataFrame:
    """Both limits of each row's layer: the user's, else the record's."""
    given = sensor.select(
        "probe", "depth_cm", given_upper="drained_upper_limit_pct", given_lower="lower_limit_pct"
    )
    return (
        rows.join(limits(rows), on=LAYER, how="left")
        .join(given, on=["probe", "depth_cm"], how="left")
        .with_columns(
            drained_upper_limit_pct=pl.coalesce("given_upper", "drained_upper_limit_pct"),
            lower_limit_pct=pl.coalesce("given_lower", "lower_limit_pct"),
            drained_upper_limit_from=pl.when(pl.col("given_upper").is_not_null())
            .then(pl.lit("given"))
            .otherwise("drained_upper_limit_from"),
            lower_limit_from=pl.when(pl.col("given_lower").is_not_null())
            .then(pl.lit("given"))
            .otherwise("lower_limit_from"),
        )
    )


def limits(rows: pl.DataFrame) -> pl.DataFrame:
    """Both limits by probe, field, strip and depth, as the record itself shows them.

    The drained upper limit is where water content comes to rest after a wetting, once
    free drainage is over; the lower limit is the lowest water content that was sustained for a week.
    Reading both off the record of the sensor needs no laboratory and takes the sensor's own error
    along. Ratliff, Ritchie and Cassel 1983 (Soil Science Society of America Journal 47, 770-775)
    define the field-measured limits as: after thorough wetting, when the fall is down to 0.1 to
    0.2 % a day (from memory); and the lowest after plants have stopped taking water.

    A record without such a wetting, or one whose plateaus lie below most of its own days (a single
    wetting that filled the layer in part), gives as drained upper limit the highest content that lasted.

    ``rows`` has those columns, ``day`` (every day, gaps as null) and ``vwc_pct`` (usable days
    only, in %). Returns ``drained_upper_limit_pct``, ``drained_upper_limit_from``, ``wettings``, ``lower_limit_pct``,
    ``lower_limit_from``; the limits are null where the record is shorter than 60 usable days.
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
            lower_limit_pct=pl.col("sustained").min(),
            highest=pl.col("smooth").quantile(0.98),
        )
        .join(_believed(_full(known), known), on=LAYER, how="left")
        .with_columns(
            enough=pl.col("usable") >= LEAST_DAYS, wettings=pl.col("wettings").fill_null(0)
        )
        .select(
            *LAYER,
            drained_upper_limit_pct=pl.when("enough").then(
                pl.coalesce("drained_upper_limit_pct", "highest")
            ),
            drained_upper_limit_from=pl.when("enough").then(
                pl.when(pl.col("drained_upper_limit_pct").is_not_null())
                .then(pl.lit("record"))
                .otherwise(pl.lit("highest seen"))
            ),
            wettings=pl.col("wettings").cast(pl.Int64),
            lower_limit_pct=pl.when("enough").then("lower_limit_pct"),
            lower_limit_from=pl.when(
                pl.col("enough") & pl.col("lower_limit_pct").is_not_null()
            ).then(pl.lit("record")),
        )
    )


def _believed(full: pl.DataFrame, known: pl.DataFrame) -> pl.DataFrame:
    """Those drained upper limits that no more than ``MOST_ABOVE`` of the record's days lie above."""
    above = pl.col("smooth") > pl.col("drained_upper_limit_pct")
    wet = known.join(full, on=LAYER).group_by(LAYER).agg(above=above.mean())
    return full.join(wet.filter(pl.col("above") <= MOST_ABOVE).select(LAYER), on=LAYER)


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
        # peaks on neighboring days are one wetting
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
    return top.group_by(LAYER).agg(
        drained_upper_limit_pct=pl.col("plateau").median(), wettings=pl.len()
    )
