"""The limits between which a layer gives water: the user's, else those that its record shows.

The drained upper limit is where water content comes to rest after a wetting, once free drainage is
over (``soil_wetting``): the median of the rests alike to the highest third. The lower limit is
the lowest water content that was sustained for a week (``soil_month``). Reading both off the record of the
sensor needs no laboratory and takes the sensor's own error along. Ratliff, Ritchie and Cassel 1983
(Soil Science Society of America Journal 47, 770-775) define the field-measured limits so; the lower
one as the lowest after plants have stopped taking water (from memory).

A record without such a wetting, or one whose rests lie below the median of most of its days' months
(a single wetting that filled the layer in part), gives as drained upper limit the highest content
that was sustained for a week.

Limits of the record are given to ``DECIMALS``, finer than any sensor knows them: they are of the
whole record so far, and shares of all years would move with each rain.
"""

import polars as pl

from schemas import generated
from schemas.tables.soil.soil_limit import TABLE
from transforms.soil.methods.layer_record import LAYER

PART = "probe"

ALIKE_PCT = 1.5  # rests this close to the highest third are wettings to the drained upper limit
MOST_ABOVE = 0.5  # share of its days above which a point is no upper limit
LEAST_DAYS = 60  # record below which neither limit is read off
DECIMALS = 1
MOST_COUNTED = 10  # wettings; more make the limit no surer


def derive(
    soil_month: pl.DataFrame, soil_wetting: pl.DataFrame, sensor: pl.DataFrame
) -> pl.DataFrame:
    """One row a layer at a place. Water contents in %; null where the record has not shown a limit."""
    c = pl.col
    given = sensor.select(
        "probe", "depth_cm", given_upper="drained_upper_limit_pct", given_lower="lower_limit_pct"
    )
    rows = (
        soil_month.group_by(LAYER)
        .agg(
            lowest=c("lowest_week_pct").min().round(DECIMALS),
            highest=c("highest_week_pct").max().round(DECIMALS),
            enough=c("days").sum() >= LEAST_DAYS,
        )
        .join(_believed(_full(soil_wetting), soil_month), on=LAYER, how="left")
        .join(given, on=["probe", "depth_cm"], how="left")
    )
    upper = {"given": c("given_upper")} | {
        name: pl.when("enough").then(found)
        for name, found in (("record", c("full")), ("highest seen", c("highest")))
    }
    lower = {"given": c("given_lower"), "record": pl.when("enough").then("lowest")}
    rows = rows.with_columns(
        drained_upper_limit_pct=pl.coalesce(*upper.values()),
        drained_upper_limit_from=_first(upper),
        lower_limit_pct=pl.coalesce(*lower.values()),
        lower_limit_from=_first(lower),
        wettings=c("wettings").fill_null(0).cast(pl.Int64),
    ).with_columns(
        partial=pl.any_horizontal(c("drained_upper_limit_pct", "lower_limit_pct").is_null())
    )
    rows = rows.with_columns(
        reason=pl.when("partial").then(pl.lit("the record of usable days is too short"))
    )
    return generated.conform(rows.select(TABLE.names), TABLE).sort(TABLE.key)


def _first(found: dict[str, pl.Expr]) -> pl.Expr:
    """Return the name of the first value that there is."""
    return pl.coalesce(
        pl.when(value.is_not_null()).then(pl.lit(name)) for name, value in found.items()
    )


def _full(soil_wetting: pl.DataFrame) -> pl.DataFrame:
    """Median of the rests alike to the highest third, and how many they are."""
    rest = pl.col("rest_pct")
    third = rest.quantile(5 / 6, "nearest").over(LAYER)
    return (
        soil_wetting.filter((rest - third).abs() <= ALIKE_PCT)
        .group_by(LAYER)
        .agg(full=rest.median().round(DECIMALS), wettings=pl.len().clip(upper_bound=MOST_COUNTED))
    )


def _believed(full: pl.DataFrame, soil_month: pl.DataFrame) -> pl.DataFrame:
    """Those drained upper limits that no more than ``MOST_ABOVE`` of the record's days lie above.

    A month's days count as above it if their median is.
    """
    days = pl.col("days")
    above = days.filter(pl.col("median_pct") > pl.col("full")).sum()
    believed = (
        soil_month.join(full, on=LAYER)
        .group_by(LAYER)
        .agg(believed=above <= MOST_ABOVE * days.sum())
    )
    return full.join(believed.filter("believed"), on=LAYER, how="semi")
