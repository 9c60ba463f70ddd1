"""The water balance of a season by strip: window, storage, rain and drainage.

**Layers.** Those depths that every strip with a probe has for at least half as many days as the
best-covered one; both strips are summed over the same depths.

**Window.** From the first to the last day, seeding to harvest, on which every such layer of every
strip has a value. Both strips so have the same days.

**Rain.** The mean of both strips' gauges where their sums over the window agree, else each strip's
own.

**Drainage** below the deepest layer is not measured. It is taken as nil while that layer stays
below its full point (drained upper limit), but for a trickle of between nothing and
``TRICKLE_MM`` a day just below it, half of which is the estimate; upward flow is not counted. Where
the full point is only the highest value seen, the layer was never seen to drain and the estimate
is nil. On the other days, and on days in a gap that does not begin and end below it, rain minus the rise of
storage is what left the profile by both ways: between nothing and all of it drained (the bounds),
and what is more than the crop used is the estimate, its use being the demand times the share of it
that the season's days without drainage show to be used, summed over each run of such days so that
noise does not add up. Without evapotranspiration the middle of the bounds stands. Without a full
point nothing can be said: bounds from nothing to all that left the profile.

The balance is common practice (rain + storage change - drainage, run-off in the use); taking
drainage as the surplus over demand while the profile is above its upper limit is the bucket
model's rule (Allen et al. 1998, FAO Irrigation and Drainage Paper 56, Eq 88).
"""

import polars as pl

from transforms.methods import calendar_day
from transforms.methods.strips import STRIPS, shared_rain, strip_rain

SEASON = ["field", "season"]
STRIP = [*SEASON, "strip"]
ENOUGH_OF_BEST = 0.5
# Just below the full point water still trickles: at most the flux by which field capacity is
# defined (0.1 mm/day: Meyer and Gee 1999, J. Geotech. Geoenviron. Eng. 125:595; Twarakavi et al.
# 2009, Water Resources Research 45, W10410; both from memory), within so many vol-% of it (found
# on simulated clay and loam: a third of that flux and less further down).
TRICKLE_MM, TRICKLES_WITHIN_PCT = 0.1, 1.0
# Standard error of crop evapotranspiration by a single coefficient, as a share. Common practice,
# no source.
DEMAND_ERROR = 0.2
# Days without drainage that tell how much of the demand a strip used, and the least share believed.
LEAST_DRY_DAYS = 30
LEAST_SHARE = 0.3


def season_layers(storage: pl.DataFrame, season: pl.DataFrame) -> pl.DataFrame:
    """The layers' storage (``strip_storage.layers``) of the days seeding to harvest that count.

    Returned with ``season`` and ``used``, true for the layers that the balance is made of.
    """
    inside = calendar_day.each_day(
        season.select(*SEASON, "seeded", "harvested"),
        "seeded",
        pl.min_horizontal("harvested", pl.lit(storage["day"].max(), pl.Date)),
    )
    rows = storage.join(inside, on=["field", "day"])
    days = rows.group_by(*STRIP, "depth_cm").agg(n=pl.col("storage_mm").count())
    live = days.filter((pl.col("n") > 0).any().over(STRIP))
    strips = live.group_by(SEASON).agg(strips=pl.col("strip").n_unique())
    depths = (
        live.group_by(*SEASON, "depth_cm")
        .agg(n=pl.col("n").min(), have=pl.col("strip").n_unique())
        .join(strips, on=SEASON)
        .with_columns(
            used=(pl.col("have") == pl.col("strips"))
            & (pl.col("n") > 0)
            & (pl.col("n") >= ENOUGH_OF_BEST * pl.col("n").max().over(SEASON))
        )
    )
    return rows.join(live.select(STRIP).unique(), on=STRIP, how="semi").join(
        depths.select(*SEASON, "depth_cm", "used"), on=[*SEASON, "depth_cm"]
    )


def profiles(layers: pl.DataFrame) -> pl.DataFrame:
    """Sum the used layers by strip and day.

    Returns ``storage_mm`` and its instant ``at``, null unless every used layer has a value;
    ``above_pct``, by how much the deepest layer is over its full point, and ``drained`` of it.
    """
    deepest = pl.col("depth_cm") == pl.col("depth_cm").max().over(STRIP)
    thickness_mm = 10.0 * (pl.col("layer_bottom_cm") - pl.col("layer_top_cm"))
    above = (pl.col("storage_mm") - pl.col("full_mm")) / thickness_mm * 100.0
    whole = pl.col("storage_mm").count() == pl.col("n_layers").first()
    used = layers.filter("used").with_columns(n_layers=pl.col("depth_cm").n_unique().over(STRIP))
    return (
        used.with_columns(above_pct=pl.when(deepest).then(above))
        .group_by(*STRIP, "day")
        .agg(
            at=pl.when(whole).then(pl.col("at").max()),
            storage_mm=pl.when(whole).then(pl.col("storage_mm").sum()),
            above_pct=pl.col("above_pct").max(),
            drained=pl.col("drained").filter(deepest).all(),
        )
        .sort(*STRIP, "day")
    )


def windows(profile: pl.DataFrame) -> pl.DataFrame:
    """``from_day`` and ``to_day`` by field and season: first and last day whole in every strip."""
    strips = profile.group_by(SEASON).agg(strips=pl.col("strip").n_unique())
    return (
        profile.filter(pl.col("storage_mm").is_not_null())
        .group_by(*SEASON, "day")
        .agg(have=pl.col("strip").n_unique())
        .join(strips, on=SEASON)
        .filter(pl.col("have") == pl.col("strips"))
        .group_by(SEASON)
        .agg(from_day=pl.col("day").min(), to_day=pl.col("day").max())
        .filter(pl.col("from_day") < pl.col("to_day"))
    )


def daily(
    profile: pl.DataFrame,
    weather_day: pl.DataFrame,
    evapotranspiration_day: pl.DataFrame,
    farm: pl.DataFrame,
) -> pl.DataFrame:
    """Every day of the window by strip, from the value of the day before to that of the day.

    Columns: ``storage_mm`` (as it is), ``filled_mm`` (gaps in a straight line), ``rain_mm`` (null
    where unknown) and ``et_mm`` (crop demand, gaps in a straight line; null where there is none at
    all) between the two values, ``known`` (rain recorded), ``demanded``, ``above_pct``.
    """
    strip_day = ["field", "strip", "day"]
    days = (
        windows(profile)
        .join(profile.select(STRIP).unique(), on=SEASON)
        .with_columns(day=pl.date_ranges("from_day", "to_day"))
        .explode("day", empty_as_null=False)
    )
    # What of a day lies before its value: all where the value is the close, half where a mean.
    before = (
        (pl.col("at") - calendar_day.starts_at(pl.col("day"), farm)).dt.total_microseconds()
        / 1e6
        / calendar_day.DAY_S
    )
    rows = (
        days.join(profile, on=[*STRIP, "day"], how="left")
        .join(_rain(weather_day), on=strip_day, how="left")
        .with_columns(shared_rain(SEASON))
        .join(_demand(evapotranspiration_day), on=strip_day, how="left")
        .sort(*STRIP, "day")
        .with_columns(before=before)
        .with_columns(
            filled_mm=pl.col("storage_mm").interpolate().over(STRIP),
            demanded=pl.col("demand_mm").is_not_null(),
            # its gaps in a straight line, its ends level
            demand_mm=pl.col("demand_mm").interpolate().forward_fill().backward_fill().over(STRIP),
            before=pl.col("before").forward_fill().over(STRIP),
        )
    )
    return rows.with_columns(
        _between("day_rain_mm").alias("rain_mm"),
        _between("demand_mm").alias("et_mm"),
        first=pl.col("day") == pl.col("from_day"),
        known=pl.col("known").fill_null(False),
    )


def _between(name: str) -> pl.Expr:
    """Of a daily sum, the part between the value of the day before and the day's.

    That is what the day before has left after its value, and what the day has before its own.
    """
    before = pl.col("before")
    earlier, yesterday = before.shift(1).over(STRIP), pl.col(name).shift(1).over(STRIP)
    here = pl.when(before > 0).then(before * pl.col(name)).otherwise(0.0)
    return here + pl.when(earlier < 1).then((1 - earlier) * yesterday).otherwise(0.0)


def _rain(weather_day: pl.DataFrame) -> pl.DataFrame:
    """Return rain by field, strip and day.

    A day within a total that bridges several is known, with none of its own.
    """
    bridged = (
        weather_day.filter(pl.col("field").is_not_null())
        .filter(pl.col("rain_since_day") < pl.col("day"))
        .select(
            "field",
            day=pl.date_ranges("rain_since_day", pl.col("day") - pl.duration(days=1)),
            bridged=True,
        )
        .explode("day", empty_as_null=False)
        .unique()
    )
    rain = strip_rain(weather_day).join(bridged, on=["field", "day"], how="left")
    known = pl.col("rain_mm").is_not_null() | pl.col("bridged").fill_null(False)
    return rain.select(
        "field",
        "strip",
        "day",
        known=known,
        day_rain_mm=pl.when(known).then(pl.col("rain_mm").fill_null(0.0)),
    )


def _demand(evapotranspiration_day: pl.DataFrame) -> pl.DataFrame:
    """Crop evapotranspiration by field, strip and day: the strip's station, else the field's."""
    rows = evapotranspiration_day.filter(pl.col("field").is_not_null())
    own = rows.group_by("field", "strip", "day").agg(own_mm=pl.col("crop_et_mm").mean())
    field = rows.group_by("field", "day").agg(field_mm=pl.col("crop_et_mm").mean())
    return (
        field.join(STRIPS, how="cross")
        .join(own, on=["field", "strip", "day"], how="left")
        .select("field", "strip", "day", demand_mm=pl.coalesce("own_mm", "field_mm"))
    )


def drainage(day: pl.DataFrame) -> pl.DataFrame:
    """Estimate drainage by strip from the rows of ``daily``: error, bounds, days and method."""
    drained = pl.col("drained").all().over(STRIP)
    above = (pl.col("above_pct") > 0) & drained
    near = pl.col("above_pct").forward_fill().over(STRIP) > -TRICKLES_WITHIN_PCT
    # A gap is dry only where it begins and ends dry.
    state = pl.coalesce(
        above,
        above.forward_fill().over(STRIP) | above.backward_fill().over(STRIP),
    )
    rows = day.with_columns(state=state).with_columns(
        leaks=pl.col("state") | pl.col("state").shift(1).over(STRIP),
        left_mm=pl.col("rain_mm").fill_null(0.0)
        - (pl.col("filled_mm") - pl.col("filled_mm").shift(1).over(STRIP)),
        no_point=pl.col("above_pct").is_null().all().over(STRIP),
    )
    rows = rows.filter(~pl.col("first")).with_columns(
        leaks=pl.col("leaks").fill_null(True) | pl.col("no_point"),
        near=near.fill_null(False),
        drained=drained,
    )
    runs = (
        rows.with_columns(run=pl.col("leaks").rle_id().over(STRIP))
        .group_by(*STRIP, "run")
        .agg(
            pl.col("leaks").first(),
            pl.col("no_point", "drained").first(),
            days=pl.len(),
            trickle_d=pl.col("near").sum(),
            left_mm=pl.col("left_mm").sum().clip(lower_bound=0.0),
            demand_mm=pl.when(pl.col("et_mm").null_count() == 0).then(pl.col("et_mm").sum()),
        )
    )
    runs = runs.with_columns(used_mm=pl.col("demand_mm") * _share_used())
    leaks, left = pl.col("leaks"), pl.col("left_mm")
    trickle = TRICKLE_MM * pl.col("trickle_d").filter(~leaks).sum()
    estimate = pl.coalesce((left - pl.col("used_mm")).clip(lower_bound=0.0), left / 2)
    return (
        runs.group_by(STRIP)
        .agg(
            pl.col("no_point", "drained").first(),
            middle=(leaks & pl.col("demand_mm").is_null()).any(),
            drainage_d=pl.col("days").filter(leaks).sum().cast(pl.Int64),
            drainage_mm=estimate.filter(leaks).sum()
            + pl.when(pl.col("drained").first()).then(trickle / 2).otherwise(0.0),
            drainage_low_mm=pl.lit(0.0),
            drainage_high_mm=left.filter(leaks).sum() + trickle,
            demand_mm=pl.col("demand_mm").filter(leaks).sum(),
            trickle_mm=trickle,
        )
        .with_columns(drainage_se_mm=_drainage_error())
        .with_columns(
            drainage_mm=pl.when(~pl.col("no_point")).then("drainage_mm"),
            drainage_from=pl.when(pl.col("no_point"))
            .then(pl.lit("unknown"))
            .when(pl.col("drainage_d") == 0)
            .then(
                pl.when(pl.col("drained"))
                .then(pl.lit("deepest layer below its full point"))
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

    That of the demand, never more than an even spread over the bounds has, and an even spread of
    the trickle.
    """
    even = (pl.col("drainage_high_mm") - pl.col("trickle_mm")) / 12**0.5
    of_demand = pl.when(~pl.col("middle")).then(DEMAND_ERROR * pl.col("demand_mm"))
    of_trickle = pl.col("trickle_mm") / 12**0.5
    error = (pl.min_horizontal(even, of_demand) ** 2 + of_trickle**2).sqrt()
    return pl.when(~pl.col("no_point")).then(error)
