"""Water stored between two crops, in each strip, in mm and as a share of rain and snow.

Recharge = water in the profile (``profile_water_day``) near seeding minus that after the harvest
before. Both ends are days on which both strips have it: the first within ``NEAR_D`` days after
harvest, and the last within as many days up to seeding, else the first as long after it (probes are
lifted for seeding). The depths are the same at both ends and in both strips. A field in which only
one strip has a probe has the recharge of that strip.

Rain and snow are those of the days after the first to the last, the mean of both strips' gauges where
they agree; water that was put on in those days (``irrigation_day``) counts with them in the share.
The share is null where its depth is not known, where rain and snow were recorded on less than
``LEAST_KNOWN`` of the days, and where no gauge of the field is heated and it froze on more than
``FROST_SHARE`` of them: a gauge that is not heated loses snow to the wind, and the share would be
too large. The recharge in mm and its gain do not depend on the gauge.

Precipitation storage as a share of the precipitation of the fallow period is common practice in
dryland farming (fallow or precipitation storage efficiency), here without its source.
"""

import polars as pl

from schemas import generated
from schemas.tables.soil.recharge_winter import TABLE
from transforms.methods import calendar_day
from transforms.methods.irrigation import with_irrigation
from transforms.methods.strips import STRIPS, in_strip, rain_to_sum, shared_rain, strip_rain
from transforms.methods.texts import joined

# The winter before a season: back to the harvest before, and on to the days about seeding.
PART = "field season"
MARGIN_MONTHS = (12, 1)
WINTER = ["field", "season"]
STRIP = [*WINTER, "strip"]
NEAR_D = 14  # common practice, no source: the fortnight of response_cause
WHOLE_D = 7  # days that the ends may miss together and the winter still be whole
LEAST_KNOWN = 0.9
FROST_SHARE = 0.1
LEAST_RAIN_MM = 10.0  # below this the share would only magnify errors. Common practice, no source.


def derive(
    *,
    profile_water_day: pl.DataFrame,
    weather_used_day: pl.DataFrame,
    rain_day: pl.DataFrame,
    irrigation_day: pl.DataFrame,
    probe_spell: pl.DataFrame,
    season: pl.DataFrame,
) -> pl.DataFrame:
    """One row a strip and season that follows another in its field. Water in mm."""
    winter = (
        season.sort("field", "season")
        .select(*WINTER, "crop", "seeded", harvested=pl.col("harvested").shift(1).over("field"))
        .filter(pl.col("harvested") < pl.col("seeded"))
    )
    if winter.is_empty():
        return generated.empty(TABLE)
    near = _near_ends(winter, profile_water_day)
    span = _span(near)
    rows = (
        winter.join(STRIPS, how="cross")
        .join(span, on=WINTER, how="left")
        .join(_water(near, span), on=STRIP, how="left")
        .join(_rain(span, weather_used_day, rain_day, irrigation_day), on=STRIP, how="left")
        .join(_set_within(span, probe_spell), on=STRIP, how="left")
        .with_columns(recharge_mm=pl.col("water_end_mm") - pl.col("water_start_mm"))
    )
    return generated.conform(_with_reason(_with_share(rows)).select(TABLE.names), TABLE).sort(
        TABLE.key
    )


def _near_ends(winter: pl.DataFrame, profile_water_day: pl.DataFrame) -> pl.DataFrame:
    """Rows of the profile near either end that every strip with a probe there has.

    ``end`` says which: after harvest, or about seeding.
    """
    after = calendar_day.each_day(
        winter.with_columns(end=pl.lit("start")),
        pl.col("harvested").dt.offset_by("1d"),
        pl.min_horizontal(pl.col("harvested").dt.offset_by(f"{NEAR_D}d"), "seeded"),
    )
    about = calendar_day.each_day(
        winter.with_columns(end=pl.lit("end")),
        pl.max_horizontal(
            pl.col("seeded").dt.offset_by(f"-{NEAR_D}d"),
            pl.col("harvested").dt.offset_by("1d"),
        ),
        pl.col("seeded").dt.offset_by(f"{NEAR_D}d"),
    )
    known = profile_water_day.filter(pl.col("water_mm").is_not_null()).select(
        "field", "strip", "day", "depths", "soil_depth_cm", "water_mm"
    )
    near = pl.concat([after, about]).join(known, on=["field", "day"])
    strips = near.group_by(WINTER).agg(strips=pl.col("strip").n_unique())
    return near.join(strips, on=WINTER).filter(
        pl.col("strip").n_unique().over(*WINTER, "end", "day") == pl.col("strips")
    )


def _span(near: pl.DataFrame) -> pl.DataFrame:
    """First and last day of each winter: the first after harvest, the nearest to seeding."""
    day, seeded = pl.col("day"), pl.col("seeded")
    at_end = pl.col("end") == "end"
    return (
        near.group_by(WINTER)
        .agg(
            from_day=day.filter(~at_end).min(),
            before=day.filter(at_end & (day <= seeded)).max(),
            later=day.filter(at_end & (day > seeded)).min(),
        )
        .select(*WINTER, "from_day", to_day=pl.coalesce("before", "later"))
        .filter(pl.col("from_day") < pl.col("to_day"))
    )


def _water(near: pl.DataFrame, span: pl.DataFrame) -> pl.DataFrame:
    """Water at both ends by strip, and its depths."""
    at = near.join(span, on=WINTER).unique([*STRIP, "day"], keep="first")
    start, end = pl.col("day") == pl.col("from_day"), pl.col("day") == pl.col("to_day")
    return at.group_by(STRIP).agg(
        pl.col("depths", "soil_depth_cm").filter(start).first(),
        water_start_mm=pl.col("water_mm").filter(start).first(),
        water_end_mm=pl.col("water_mm").filter(end).first(),
    )


def _rain(
    span: pl.DataFrame,
    weather_used_day: pl.DataFrame,
    rain_day: pl.DataFrame,
    irrigation_day: pl.DataFrame,
) -> pl.DataFrame:
    """Rain, snow and irrigation of the days after the first to the last, the days known, and whether snow is lost."""
    strip_day = ["field", "strip", "day"]
    days = calendar_day.each_day(span, pl.col("from_day").dt.offset_by("1d"), "to_day")
    heated = (
        weather_used_day.filter(pl.col("field").is_not_null())
        .group_by("field", "day")
        .agg(heated=pl.col("gauge_heated").fill_null(False).any())
    )
    rows = (
        days.join(STRIPS, how="cross")
        .join(rain_to_sum(rain_day), on=strip_day, how="left")
        .join(strip_rain(weather_used_day).drop("rain_mm"), on=strip_day, how="left")
        .join(heated, on=["field", "day"], how="left")
        .with_columns(shared_rain(WINTER))
        .pipe(with_irrigation, irrigation_day)
    )
    # Days without a temperature are left out of the mean.
    frost = (pl.col("air_temp_mean_c") <= 0) & ~pl.col("heated").fill_null(False)
    rain = pl.col("day_rain_mm")
    return rows.group_by(STRIP).agg(
        rain_mm=pl.when(rain.count() > 0).then(rain.sum()),
        irrigation_mm=pl.when(pl.col("irrigation_known").all()).then(pl.col("irrigation_mm").sum()),
        known_d=rain.count(),
        frost=frost.mean(),
    )


def _set_within(span: pl.DataFrame, probe_spell: pl.DataFrame) -> pl.DataFrame:
    """The day on which a probe was set within the winter, where one was."""
    return (
        span.join(probe_spell.select("field", "strip", set_day="from_day"), on="field")
        .filter((pl.col("set_day") > pl.col("from_day")) & (pl.col("set_day") <= pl.col("to_day")))
        .group_by(STRIP)
        .agg(pl.col("set_day").max())
    )


def _with_share(rows: pl.DataFrame) -> pl.DataFrame:
    """Add the share of rain and snow, the gain of treated over check, and the coverages."""
    length = (pl.col("to_day") - pl.col("from_day")).dt.total_days()
    winter = (pl.col("seeded") - pl.col("harvested")).dt.total_days()
    recharge = pl.col("recharge_mm")
    came = pl.col("rain_mm") + pl.col("irrigation_mm")
    gain = in_strip(recharge, "treated").first() - in_strip(recharge, "check").first()
    return rows.with_columns(
        rain_coverage=(pl.col("known_d").fill_null(0) / length).clip(0.0, 1.0),
        recharge_gain_mm=gain.over(WINTER),
        coverage=pl.when(recharge.is_not_null())
        .then((length / winter).clip(0.0, 1.0))
        .otherwise(0.0),
        short_d=winter - length,
        snow_lost=(pl.col("frost") > FROST_SHARE).fill_null(False),
    ).with_columns(
        recharge_share=pl.when(
            (pl.col("rain_coverage") >= LEAST_KNOWN)
            & (came >= LEAST_RAIN_MM)
            & ~pl.col("snow_lost")
        ).then(recharge / came)
    )


def _with_reason(rows: pl.DataFrame) -> pl.DataFrame:
    """Add ``partial`` and the reasons."""
    none = pl.col("recharge_mm").is_null()
    unknown = pl.col("rain_coverage") < LEAST_KNOWN
    reasons = {
        "no water in the profile near both harvest and seeding": none,
        "a probe was set within the winter, so start and end are of two places": pl.col(
            "set_day"
        ).is_not_null(),
        "no share: too many days without a record of rain and snow": ~none & unknown,
        "no share: it froze and no gauge of the field is heated, so snow may be missing": ~none
        & ~unknown
        & pl.col("snow_lost"),
        "no share: hardly any rain or snow": ~none
        & ~unknown
        & ~pl.col("snow_lost")
        & (pl.col("rain_mm") + pl.col("irrigation_mm") < LEAST_RAIN_MM),
        "no share: irrigation is not known": ~none & ~unknown & pl.col("irrigation_mm").is_null(),
        "the other strip has none to compare with": ~none & pl.col("recharge_gain_mm").is_null(),
    }
    cut = pl.when(~none & (pl.col("short_d") > WHOLE_D)).then(
        pl.format("{} days of the winter are not in it", pl.col("short_d"))
    )
    return rows.with_columns(
        partial=pl.any_horizontal(*reasons.values(), cut.is_not_null()).fill_null(True),
        reason=joined(*(pl.when(flag).then(pl.lit(text)) for text, flag in reasons.items()), cut),
    )
