"""Water in the profile of each strip, and how much of the crop's demand it meets.

The depths are the same in both strips and on all days from one harvest to the next
(``common_depths``), and so are their layers. So the sum never falls because a sensor fails: it is
null, with the reason, on a day on which one of the depths has no value.

Water (mm) = sum of water content (%) / 100 x thickness (mm). Available water is what stands above
the lower limit, its capacity the water between drained upper limit and lower limit of the same
layers; both limits are those of ``soil_water_day``. The share of the capacity is a mean, not a sum,
so it is given with part of the depths too, over those that both strips have that day; it is partial
then. A single day may stand a little below the lower limit, which is the lowest content sustained
for a week.

**Demand met.** Of each layer, the uptake (``drawdown_day``, in proportion to the layer's thickness
here) of the days of the week that ends that day, over the transpiration of a crop that lacks no
water on the same days (``evaporation_day.basal_et_mm``); the shares of the layers add up. Only days on
which every strip with a probe has an uptake at that depth count, so the strips are compared over
the same days, and at least ``LEAST_DAYS`` at each depth. Soil evaporation is in neither number.
This is the ratio of actual to potential transpiration, by which drought stress is defined (Allen et
al. 1998, FAO Irrigation and Drainage Paper 56, chapter 8: Ks), measured instead of modeled.
Roots below the deepest layer are not seen: the share is then too low in both strips.
Over ten simulated site-seasons (our layered bucket) the share was off by 9 points in the median (27
in one of ten weeks), the difference of the strips by 5 (14).
"""

import polars as pl

from schemas import generated
from schemas.tables.soil.profile_water_day import TABLE
from transforms.methods.crop_days import with_season
from transforms.methods.strips import STRIPS
from transforms.methods.texts import depth_text, joined
from transforms.soil.methods.common_depths import YEAR, common_layers

PART = "field season"

PLACE = ["field", "strip", "day"]
LAYER = ["field", "strip", "depth_cm"]
WINDOW = "7d"
LEAST_DAYS = 3  # of the week, with an uptake in every strip
# Mean demand of the counted days below which the share would only magnify noise. Common practice,
# no source.
LEAST_DEMAND_MM_D = 1.0


def derive(
    soil_water_day: pl.DataFrame,
    drawdown_day: pl.DataFrame,
    evaporation_day: pl.DataFrame,
    season: pl.DataFrame,
) -> pl.DataFrame:
    """One row a strip and day of its probe's record. Depths in cm, water in mm."""
    if soil_water_day.is_empty():
        return generated.empty(TABLE)
    layers = common_layers(soil_water_day, season)
    rows = (
        _sums(layers)
        .join(_demand_met(layers, drawdown_day, evaporation_day), on=PLACE, how="left")
        .pipe(with_season, season)
    )
    return generated.conform(_with_reason(rows).select(TABLE.names), TABLE).sort(TABLE.key)


def _sums(layers: pl.DataFrame) -> pl.DataFrame:
    """Sum the layers by strip and day; a sum is null if one of them has no value."""
    thickness_mm = 10.0 * (pl.col("layer_bottom_cm") - pl.col("layer_top_cm"))
    width = pl.col("drained_upper_limit_pct") - pl.col("lower_limit_pct")
    vwc = pl.col("vwc_pct")
    depth = depth_text(pl.col("depth_cm"))
    reporting = pl.col("strip").filter(vwc.is_not_null()).n_unique()
    rows = (
        layers.with_columns(
            reporting=reporting.over("field", "day"),
            there=reporting.over("field", "day", "depth_cm"),
            storage=vwc / 100 * thickness_mm,
            capacity=pl.when(width > 0).then(width / 100 * thickness_mm),
        )
        .with_columns(available=(vwc - pl.col("lower_limit_pct")) / 100 * thickness_mm)
        .sort(*PLACE, "depth_cm")
    )
    # The depths that every strip reporting that day has, with both limits.
    shared = (
        (pl.col("there") == pl.col("reporting"))
        & pl.col("available").is_not_null()
        & pl.col("capacity").is_not_null()
    )
    year = rows.group_by(YEAR).agg(
        n=pl.col("depth_cm").n_unique(),
        depths=depth.sort_by("depth_cm").unique(maintain_order=True).str.join(", "),
        soil_depth_cm=pl.col("layer_bottom_cm").max(),
    )
    return (
        rows.group_by(*PLACE, "since", maintain_order=True)
        .agg(
            pl.col("strips").first(),
            known=vwc.count(),
            limited=pl.col("capacity").count(),
            water_mm=pl.col("storage").sum(),
            available_water_mm=pl.col("available").sum(),
            available_capacity_mm=pl.col("capacity").sum(),
            shared=shared.sum(),
            shared_mm=pl.col("available").filter(shared).sum(),
            shared_capacity_mm=pl.col("capacity").filter(shared).sum(),
            without=depth.filter(vwc.is_null()).str.join(", "),
            unlimited=depth.filter(pl.col("capacity").is_null()).str.join(", "),
        )
        .join(year, on=YEAR)
        .with_columns(
            whole=pl.col("known") == pl.col("n"), bounded=pl.col("limited") == pl.col("n")
        )
        .with_columns(
            water_mm=pl.when("whole").then("water_mm"),
            available_water_mm=pl.when(pl.col("whole") & pl.col("bounded")).then(
                "available_water_mm"
            ),
            available_capacity_mm=pl.when("bounded").then("available_capacity_mm"),
            available_water_share=pl.when(pl.col("shared") > 0).then(
                pl.col("shared_mm") / pl.col("shared_capacity_mm")
            ),
        )
    )


def _demand_met(
    layers: pl.DataFrame, drawdown_day: pl.DataFrame, evaporation_day: pl.DataFrame
) -> pl.DataFrame:
    """Share of the week's demand that the layers met, by strip and day, and the days behind it."""
    drawn = (
        drawdown_day.filter(pl.col("season").is_not_null())
        .group_by(*LAYER, "day")
        .agg((pl.col("uptake_mm") / pl.col("layer_thickness_cm")).mean().alias("uptake_mm_cm"))
        .join(_demand(evaporation_day), on=PLACE)
    )
    counted = pl.col("uptake_mm_cm").is_not_null() & pl.col("demand_mm").is_not_null()
    days = (
        layers.select(*LAYER, "day", "since", "strips", "layer_top_cm", "layer_bottom_cm")
        .join(drawn, on=[*LAYER, "day"])
        .with_columns(counted=counted)
        .with_columns(
            counted=counted.sum().over("field", "depth_cm", "day") == pl.col("strips"),
            uptake_mm=pl.col("uptake_mm_cm") * (pl.col("layer_bottom_cm") - pl.col("layer_top_cm")),
        )
        .sort(*LAYER, "day")
    )
    week = (
        days.rolling("day", period=WINDOW, group_by=[*LAYER, "since"])
        .agg(
            days=pl.col("counted").sum(),
            uptake_mm=pl.col("uptake_mm").filter("counted").sum(),
            demand_mm=pl.col("demand_mm").filter("counted").sum(),
        )
        .filter(
            (pl.col("days") >= LEAST_DAYS)
            & (pl.col("demand_mm") >= LEAST_DEMAND_MM_D * pl.col("days"))
        )
    )
    depths = layers.group_by(YEAR).agg(n=pl.col("depth_cm").n_unique())
    return (
        week.join(depths, on=YEAR)
        .group_by(*PLACE)
        .agg(
            pl.col("n").first(),
            layers=pl.len(),
            demand_met_share=(pl.col("uptake_mm") / pl.col("demand_mm")).sum(),
            demand_met_d=pl.col("days").min().cast(pl.Int64),
        )
        .filter(pl.col("layers") == pl.col("n"))
        .select(*PLACE, "demand_met_share", "demand_met_d")
    )


def _demand(evaporation_day: pl.DataFrame) -> pl.DataFrame:
    """Transpiration without lack of water by field, strip and day: the strip's station, else the field's."""
    rows = evaporation_day.filter(pl.col("field").is_not_null())
    own = rows.group_by(PLACE).agg(own_mm=pl.col("basal_et_mm").mean())
    field = rows.group_by("field", "day").agg(field_mm=pl.col("basal_et_mm").mean())
    return (
        field.join(STRIPS, how="cross")
        .join(own, on=PLACE, how="left")
        .select(*PLACE, demand_mm=pl.coalesce("own_mm", "field_mm"))
    )


def _with_reason(rows: pl.DataFrame) -> pl.DataFrame:
    """Add coverage, ``partial`` and the reasons."""
    alone = pl.col("strips") < 2
    return rows.with_columns(
        coverage=pl.col("known") / pl.col("n"),
        partial=~pl.col("whole") | ~pl.col("bounded") | alone,
        reason=joined(
            pl.when(~pl.col("whole")).then(
                pl.format("no water content that day at {} cm", pl.col("without"))
            ),
            pl.when(~pl.col("bounded")).then(
                pl.format("limits of the layer not known at {} cm", pl.col("unlimited"))
            ),
            pl.when(alone).then(pl.lit("only one strip has a probe")),
        ),
    )
