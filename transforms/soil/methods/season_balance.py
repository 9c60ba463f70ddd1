"""The water balance of a season by strip: window, storage, rain, irrigation and drainage.

**Layers.** Those depths that every strip with a probe has for at least half as many days as the
best-covered one; both strips are summed over the same depths.

**Window.** From the first to the last day, seeding to harvest, on which every such layer of every
strip has a value. Both strips so have the same days.

**Rain.** The mean of both strips' gauges where their sums over the window agree, else each strip's
own; days of a later total are known (``strips.rain_to_sum``). **Irrigation** is that of
``irrigation_day`` in each strip; a day that no record is about had none.

**Drainage** below the deepest layer: ``drainage``.

The balance is common practice (rain + irrigation + storage change - drainage, run-off in the use); it
is that of Allen et al. 1998, FAO Irrigation and Drainage Paper 56, chapter 8 (Eq 85: P and I
alike; from memory).
"""

import polars as pl

from transforms.methods import calendar_day
from transforms.methods.irrigation import with_irrigation
from transforms.methods.strips import STRIPS, rain_to_sum, shared_rain

SEASON = ["field", "season"]
STRIP = [*SEASON, "strip"]
ENOUGH_OF_BEST = 0.5
WETTED_PCT = 2.0  # more than drift and noise. Common practice, no source.
WETTED_WITHIN = "-365d"  # of seeding


def season_layers(storage: pl.DataFrame, season: pl.DataFrame) -> pl.DataFrame:
    """The layers' storage (``strip_storage.layers``) of the days seeding to harvest that count.

    Returned with ``season``, ``used``, true for the layers that the balance is made of, and ``wetted``:
    whether water has come to the layer since a year before seeding (it has risen by ``WETTED_PCT`` above its lowest).
    """
    inside = calendar_day.each_day(
        season.select(*SEASON, "seeded", "harvested"),
        pl.col("seeded").dt.offset_by(WETTED_WITHIN),
        pl.min_horizontal("harvested", pl.lit(storage["day"].max(), pl.Date)),
    )
    pct = pl.col("storage_mm") / (pl.col("layer_bottom_cm") - pl.col("layer_top_cm")) * 10.0
    risen = (pct - pct.cum_min() >= WETTED_PCT).fill_null(False).cum_max()
    rows = (
        storage.join(inside, on=["field", "day"])
        .with_columns(wetted=risen.over(*STRIP, "depth_cm", order_by="day"))
        .filter(pl.col("day") >= pl.col("seeded"))
    )
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
    ``above_pct``, by how much the deepest layer is over its drained upper limit, ``drained`` and ``wetted``
    of it.
    """
    deepest = pl.col("depth_cm") == pl.col("depth_cm").max().over(STRIP)
    thickness_mm = 10.0 * (pl.col("layer_bottom_cm") - pl.col("layer_top_cm"))
    above = (pl.col("storage_mm") - pl.col("upper_limit_mm")) / thickness_mm * 100.0
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
            wetted=pl.col("wetted").filter(deepest).all(),
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
    *,
    rain_day: pl.DataFrame,
    irrigation_day: pl.DataFrame,
    evapotranspiration_day: pl.DataFrame,
    evaporation_day: pl.DataFrame,
    farm: pl.DataFrame,
) -> pl.DataFrame:
    """Every day of the window by strip, from the value of the day before to that of the day.

    Columns: ``storage_mm`` (as it is), ``filled_mm`` (gaps in a straight line), ``rain_mm`` (null
    where unknown), ``irrigation_mm`` (what is unknown left out), ``water_mm`` (both, what is unknown
    left out), ``et_mm`` (crop demand, gaps in a straight line; null where there is none at all) and
    ``wet_et_mm`` (the same by the dual coefficient, which follows single wettings) between the two
    values, ``known`` (rain recorded), ``irrigation_known``, ``demanded``, ``above_pct``.
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
        .join(rain_to_sum(rain_day), on=strip_day, how="left")
        .with_columns(shared_rain(SEASON), known=pl.col("day_rain_mm").is_not_null())
        .pipe(with_irrigation, irrigation_day)
        .with_columns(day_irrigation_mm=pl.col("irrigation_mm").fill_null(0.0))
        .join(
            _demand(evapotranspiration_day, pl.col("crop_et_mm"), "demand_mm"),
            on=strip_day,
            how="left",
        )
        .join(
            _demand(
                evaporation_day, pl.col("soil_evaporation_mm") + pl.col("basal_et_mm"), "wet_mm"
            ),
            on=strip_day,
            how="left",
        )
        .sort(*STRIP, "day")
        .with_columns(before=before)
        .with_columns(
            filled_mm=pl.col("storage_mm").interpolate().over(STRIP),
            demanded=pl.col("demand_mm").is_not_null(),
            # its gaps in a straight line, its ends level
            demand_mm=pl.col("demand_mm").interpolate().forward_fill().backward_fill().over(STRIP),
            wet_mm=pl.col("wet_mm").interpolate().forward_fill().backward_fill().over(STRIP),
            before=pl.col("before").forward_fill().over(STRIP),
        )
    )
    return rows.with_columns(
        _between("day_rain_mm").alias("rain_mm"),
        _between("day_irrigation_mm").alias("irrigation_mm"),
        _between("demand_mm").alias("et_mm"),
        _between("wet_mm").alias("wet_et_mm"),
        first=pl.col("day") == pl.col("from_day"),
    ).with_columns(water_mm=pl.col("rain_mm").fill_null(0.0) + pl.col("irrigation_mm"))


def _between(name: str) -> pl.Expr:
    """Of a daily sum, the part between the value of the day before and the day's.

    That is what the day before has left after its value, and what the day has before its own.
    """
    before = pl.col("before")
    earlier, yesterday = before.shift(1).over(STRIP), pl.col(name).shift(1).over(STRIP)
    here = pl.when(before > 0).then(before * pl.col(name)).otherwise(0.0)
    return here + pl.when(earlier < 1).then((1 - earlier) * yesterday).otherwise(0.0)


def _demand(days: pl.DataFrame, demand: pl.Expr, name: str) -> pl.DataFrame:
    """The crop's demand by field, strip and day: the strip's station, else the field's."""
    rows = days.filter(pl.col("field").is_not_null())
    own = rows.group_by("field", "strip", "day").agg(own_mm=demand.mean())
    field = rows.group_by("field", "day").agg(field_mm=demand.mean())
    return (
        field.join(STRIPS, how="cross")
        .join(own, on=["field", "strip", "day"], how="left")
        .select("field", "strip", "day", pl.coalesce("own_mm", "field_mm").alias(name))
    )
