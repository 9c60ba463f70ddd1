"""What drained below the deepest layer of a strip in a season: estimate, bounds and error.

It is not measured. What the layers say of each day (``dry_gates``) bounds it:

- **Below its limit.** The deepest layer lies below a drained upper limit that was seen: nothing drains but
  a trickle of ``TRICKLE_MM`` a day, between nothing and ``MOST_TRICKLE_MM``, just below the limit.
- **Gated.** A layer above lies clearly below its limit and lets no more than ``TRICKLE_MM`` through: at the
  most that and what the layers beneath it fell.
- **Open.** Neither: the deepest layer drains, or stands near the highest value that it ever had and no
  layer above is dry. Whether it is stably full and passes on what comes, or was never reached, nobody
  can tell from the record. At the most all that left the profile (rain and irrigation minus the rise
  of storage), less the least that a crop uses
  (``LEAST_SHARE`` of its demand). Days in a gap that does not begin and end dry are open too.

Water may also rise. On days when the soil above has dried and the deepest layer stays wet, though
a little below its limit (``dry_gates``, ``rises``), up to ``MOST_TRICKLE_MM`` a day may have come up: the
lower bound is below zero by that, and the row says 'upward flow possible'. The probe cannot measure it,
so the estimate does not hold it. Without such days the lower bound is nil, never more: run-off is not
measured either and may be all of a surplus.

The estimate on open days is what left the profile less what the crop used, where the layer was seen to
drain; ``UNSEEN_SHARE`` of that where it never was, and nothing where a layer above is likely closed. The
crop's use is the demand by the dual coefficient, which follows the wettings, times the share of
it that the season's other days show to be used, summed over each run of such days so that noise does not
add up. Without evapotranspiration the middle of the bounds stands. Without a drained upper limit
nothing can be said: bounds from nothing to all that left the profile.

Taking drainage as the surplus over demand while the profile is above its upper limit is the bucket
model's rule (Allen et al. 1998, FAO Irrigation and Drainage Paper 56, Eq 88).
"""

import polars as pl

from transforms.methods.normal_range import Z_95
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
# Part of a surplus taken to have drained where the layer was never seen to drain: half, since it is as
# likely that it was never reached.
UNSEEN_SHARE = 0.5


def estimate(day: pl.DataFrame) -> pl.DataFrame:
    """Estimate drainage by strip from the rows of ``daily``: error, bounds, days and method.

    The rows also have ``gated``, ``closed``, ``beneath_mm`` and ``rises`` of ``dry_gates``.
    """
    c = pl.col
    drained = c("drained").all().over(STRIP)
    above = (c("above_pct") > 0) & drained
    wetted = drained | c("wetted").any().over(STRIP)
    near = c("above_pct").forward_fill().over(STRIP) > -TRICKLES_WITHIN_PCT
    # A gap is dry only where it begins and ends dry.
    state = pl.coalesce(
        above,
        above.forward_fill().over(STRIP) | above.backward_fill().over(STRIP),
    )
    gated = c("gated").fill_null(False)
    demand = pl.coalesce("wet_et_mm", "et_mm")
    rows = day.with_columns(state=pl.when(drained).then(state).otherwise(~gated)).with_columns(
        leaks=c("state") | c("state").shift(1).over(STRIP),
        left_mm=c("water_mm") - (c("filled_mm") - c("filled_mm").shift(1).over(STRIP)),
        no_point=c("above_pct").is_null().all().over(STRIP),
    )
    rows = rows.filter(~c("first")).with_columns(
        leaks=c("leaks").fill_null(True) | c("no_point"),
        gated=gated & ~c("no_point"),
        likely_gated=c("likely_gated").fill_null(False) & ~c("no_point"),
        near=near.fill_null(False),
        drained=drained,
        wetted=wetted.fill_null(False),
    )
    runs = _with_amounts(
        rows.with_columns(run=pl.struct("leaks", "gated", "likely_gated").rle_id().over(STRIP))
        .group_by(*STRIP, "run")
        .agg(
            c("leaks", "gated", "likely_gated", "no_point", "drained", "wetted").first(),
            days=pl.len(),
            near_d=c("near").sum(),
            open_d=(~c("closed").fill_null(False)).sum(),
            rises_d=c("rises").fill_null(False).sum(),
            beneath_mm=c("beneath_mm").sum().clip(lower_bound=0.0),
            left_mm=c("left_mm").sum().clip(lower_bound=0.0),
            demand_mm=pl.when(demand.null_count() == 0).then(demand.sum()),
        )
    )
    leaks = c("leaks")
    return (
        runs.group_by(STRIP)
        .agg(
            c("no_point", "drained").first(),
            middle=(leaks & ~c("gated") & c("demand_mm").is_null()).any(),
            drainage_d=c("days").filter(leaks).sum().cast(pl.Int64),
            drainage_mm=c("likely_mm").sum(),
            drainage_low_mm=-MOST_TRICKLE_MM * c("rises_d").sum(),
            drainage_high_mm=c("most_mm").sum(),
            rises_d=c("rises_d").sum().cast(pl.Int64),
            demand_mm=c("demand_mm").filter(leaks & ~c("gated")).sum(),
            open_mm=c("most_mm").filter(leaks & ~c("gated")).sum(),
        )
        .with_columns(drainage_se_mm=_drainage_error())
        .with_columns(
            drainage_mm=pl.when(~c("no_point")).then("drainage_mm"),
            drainage_from=pl.when(c("no_point"))
            .then(pl.lit("unknown"))
            .when(~c("drained"))
            .then(pl.lit("deepest layer never seen to drain"))
            .when(c("drainage_d") == 0)
            .then(pl.lit("deepest layer below its drained upper limit"))
            .when(c("middle"))
            .then(pl.lit("middle of the bounds"))
            .otherwise(pl.lit("water balance of draining days")),
        )
        .drop("no_point", "drained", "middle", "demand_mm", "open_mm")
    )


def _with_amounts(runs: pl.DataFrame) -> pl.DataFrame:
    """Add what drained in each run of days, at the most (``most_mm``) and likely (``likely_mm``)."""
    c = pl.col
    runs = runs.with_columns(used_mm=c("demand_mm") * _share_used())
    through_mm = pl.when("gated").then(TRICKLE_MM * c("open_d") + c("beneath_mm"))
    trickle = TRICKLE_MM * pl.when("wetted").then("near_d").otherwise(0)
    most_trickle = pl.when("drained").then(MOST_TRICKLE_MM * c("near_d"))
    surplus = pl.coalesce((c("left_mm") - c("used_mm")).clip(lower_bound=0.0), c("left_mm") / 2)
    surplus = surplus * pl.when("drained").then(1.0).otherwise(UNSEEN_SHARE)
    least_mm = pl.when("no_point").then(0.0).otherwise(LEAST_SHARE * c("demand_mm").fill_null(0.0))
    most = (c("left_mm") - least_mm).clip(lower_bound=0.0)
    leaks = c("leaks")
    seen = c("drained") | ~c("likely_gated") | c("no_point")
    return runs.with_columns(
        most_mm=pl.when(leaks)
        .then(pl.min_horizontal(most, through_mm))
        .otherwise(pl.min_horizontal(most_trickle, through_mm)),
        likely_mm=pl.when(leaks & (c("gated") | seen)).then(surplus).otherwise(trickle),
    ).with_columns(likely_mm=pl.min_horizontal("likely_mm", "most_mm"))


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

    Of open days that of the demand where the layer was seen to drain, never more than an even spread
    over their bounds has. Of the other days their bounds, taken for a 95 % interval.
    """
    even = pl.col("open_mm") / 12**0.5
    of_demand = pl.when(~pl.col("middle") & pl.col("drained")).then(
        DEMAND_ERROR * pl.col("demand_mm")
    )
    others = pl.col("drainage_high_mm") - pl.col("open_mm") - pl.col("drainage_low_mm")
    error = (pl.min_horizontal(even, of_demand) ** 2 + (others / (2 * Z_95)) ** 2).sqrt()
    return pl.when(~pl.col("no_point")).then(error)
