"""What drained below the deepest layer of a strip in a season: estimate, bounds and error.

It is not measured. It is taken as nil while that layer stays below its drained upper limit, but for
a trickle of ``TRICKLE_MM`` a day, between nothing and ``MOST_TRICKLE_MM``, just below it; upward
flow is not counted. If the drained upper limit is only the highest value seen, the layer was never
seen to drain and trickles near that value, at most as much as the balance of those days has over
what the crop used, if that is more. If no water ever came to it (``strip_storage``, ``wetted``) the
trickle is between nothing and ``TRICKLE_MM``, and the estimate is nil.

On the other days, and on days in a gap that does not begin and end below it, rain and irrigation
minus the rise of storage is what left the profile by both ways: between nothing and all of it drained (the bounds),
and what is more than the crop used is the estimate. The crop's use is the demand times the share of
it that the season's days without drainage show to be used, summed over each run of such days so
that noise does not add up. Without evapotranspiration the middle of the bounds stands. Without a
drained upper limit nothing can be said: bounds from nothing to all that left the profile.

Taking drainage as the surplus over demand while the profile is above its upper limit is the bucket
model's rule (Allen et al. 1998, FAO Irrigation and Drainage Paper 56, Eq 88).
"""

import polars as pl

from transforms.soil.methods.season_balance import SEASON, STRIP

# Near its drained upper limit a layer trickles by the flux that defines field capacity, mm a day: about 0.1
# (Twarakavi et al. 2009, Water Resources Research 45, W10410), at most 0.86, which is the largest
# of those named by Meyer and Gee 1999 (J. Geotech. Geoenviron. Eng. 125:595, 1e-8 to 1e-6 cm/s;
# both from memory). Near: within so many vol-% (found on simulated clay and loam).
TRICKLE_MM, MOST_TRICKLE_MM, TRICKLES_WITHIN_PCT = 0.1, 0.86, 1.0
# Standard error of crop evapotranspiration by a single coefficient, as a share. Common practice,
# no source.
DEMAND_ERROR = 0.2
# Days without drainage that tell how much of the demand a strip used, and the least share believed.
LEAST_DRY_DAYS = 30
LEAST_SHARE = 0.3
_Z = 1.959964


def estimate(day: pl.DataFrame) -> pl.DataFrame:
    """Estimate drainage by strip from the rows of ``daily``: error, bounds, days and method."""
    drained = pl.col("drained").all().over(STRIP)
    above = (pl.col("above_pct") > 0) & drained
    wetted = drained | pl.col("wetted").any().over(STRIP)
    near = pl.col("above_pct").forward_fill().over(STRIP) > -TRICKLES_WITHIN_PCT
    # A gap is dry only where it begins and ends dry.
    state = pl.coalesce(
        above,
        above.forward_fill().over(STRIP) | above.backward_fill().over(STRIP),
    )
    rows = day.with_columns(state=state).with_columns(
        leaks=pl.col("state") | pl.col("state").shift(1).over(STRIP),
        left_mm=pl.col("water_mm")
        - (pl.col("filled_mm") - pl.col("filled_mm").shift(1).over(STRIP)),
        no_point=pl.col("above_pct").is_null().all().over(STRIP),
    )
    rows = rows.filter(~pl.col("first")).with_columns(
        leaks=pl.col("leaks").fill_null(True) | pl.col("no_point"),
        near=near.fill_null(False),
        drained=drained,
        wetted=wetted.fill_null(False),
    )
    runs = (
        rows.with_columns(run=pl.col("leaks").rle_id().over(STRIP))
        .group_by(*STRIP, "run")
        .agg(
            pl.col("leaks").first(),
            pl.col("no_point", "drained", "wetted").first(),
            days=pl.len(),
            trickle_d=pl.col("near").sum(),
            left_mm=pl.col("left_mm").sum().clip(lower_bound=0.0),
            demand_mm=pl.when(pl.col("et_mm").null_count() == 0).then(pl.col("et_mm").sum()),
            near_left_mm=pl.col("left_mm").filter("near").sum(),
            near_demand_mm=pl.col("et_mm").filter("near").sum(),
        )
    )
    runs = runs.with_columns(
        used_mm=pl.col("demand_mm") * _share_used(),
        surplus_mm=(pl.col("near_left_mm") - pl.col("near_demand_mm") * _share_used()).clip(0.0),
    )
    leaks, left = pl.col("leaks"), pl.col("left_mm")
    trickle_d = pl.col("trickle_d").filter(~leaks).sum()
    wetted_d = pl.when(pl.col("wetted").first()).then(trickle_d).otherwise(0)
    # Where nobody has seen the layer drain, what nobody used may have drained there.
    surplus = pl.col("surplus_mm").filter(~leaks & ~pl.col("drained") & pl.col("wetted")).sum()
    most_trickle = pl.max_horizontal(
        TRICKLE_MM * trickle_d + (MOST_TRICKLE_MM - TRICKLE_MM) * wetted_d, surplus
    )
    likely = pl.coalesce((left - pl.col("used_mm")).clip(lower_bound=0.0), left / 2)
    return (
        runs.group_by(STRIP)
        .agg(
            pl.col("no_point", "drained").first(),
            middle=(leaks & pl.col("demand_mm").is_null()).any(),
            drainage_d=pl.col("days").filter(leaks).sum().cast(pl.Int64),
            drainage_mm=likely.filter(leaks).sum() + TRICKLE_MM * wetted_d,
            drainage_low_mm=pl.lit(0.0),
            drainage_high_mm=left.filter(leaks).sum() + most_trickle,
            demand_mm=pl.col("demand_mm").filter(leaks).sum(),
            trickle_mm=most_trickle,
        )
        .with_columns(drainage_se_mm=_drainage_error())
        .with_columns(
            drainage_mm=pl.when(~pl.col("no_point")).then("drainage_mm"),
            drainage_from=pl.when(pl.col("no_point"))
            .then(pl.lit("unknown"))
            .when(pl.col("drainage_d") == 0)
            .then(
                pl.when(pl.col("drained"))
                .then(pl.lit("deepest layer below its drained upper limit"))
                .otherwise(pl.lit("deepest layer never seen to drain"))
            )
            .when(pl.col("middle"))
            .then(pl.lit("middle of the bounds"))
            .otherwise(pl.lit("water balance of draining days")),
        )
        .drop("no_point", "drained", "middle", "demand_mm", "trickle_mm")
    )


def _share_used() -> pl.Expr:
    """Share of the crop's demand used on the days without drainage, over a season's strips.

    Demand is that of a crop which lacks no water and keeps to the table's stages; on days when
    nothing drains the balance itself shows what was used. 1 where there are too few such days.
    """
    dry = ~pl.col("leaks") & pl.col("demand_mm").is_not_null()
    days = pl.col("days").filter(dry).sum().over(SEASON)
    share = (pl.col("left_mm").filter(dry).sum() / pl.col("demand_mm").filter(dry).sum()).over(
        SEASON
    )
    return pl.when(days >= LEAST_DRY_DAYS).then(share.clip(LEAST_SHARE, 1.0)).otherwise(1.0)


def _drainage_error() -> pl.Expr:
    """Return the standard error of the drainage.

    That of the demand, never more than an even spread over the bounds has, and of the trickle, whose
    bounds are taken for a 95 % interval.
    """
    even = (pl.col("drainage_high_mm") - pl.col("trickle_mm")) / 12**0.5
    of_demand = pl.when(~pl.col("middle")).then(DEMAND_ERROR * pl.col("demand_mm"))
    of_trickle = pl.col("trickle_mm") / (2 * _Z)
    error = (pl.min_horizontal(even, of_demand) ** 2 + of_trickle**2).sqrt()
    return pl.when(~pl.col("no_point")).then(error)
