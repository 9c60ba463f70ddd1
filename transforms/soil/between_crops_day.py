"""between_crops_day: rain against normal, days fit for the work and recharge, from harvest to seeding."""

import polars as pl

from schemas import generated
from schemas.cautions import WORKING
from schemas.tables.soil.between_crops_day import TABLE
from transforms.methods import calendar_day
from transforms.methods.texts import joined

SPAN = ["field", "season"]
NEAR_D = (
    14  # as in recharge_winter: water so near to an end counts for it. Common practice, no source.
)
LEAST_SEEDINGS = 2
# A field that nobody seeds again is not followed for longer.
LONGEST_D = 400


def derive(
    *,
    season: pl.DataFrame,
    rain_day: pl.DataFrame,
    working_window: pl.DataFrame,
    profile_water_day: pl.DataFrame,
) -> pl.DataFrame:
    """One row a field and day after a harvest, up to the next seeding or the last day known.

    Rain is that of the field's station with the fullest record since the harvest (the treated strip's
    on equal terms), compared with the normal of what was recorded. The soil's state and share are the
    check strip's, which the field is like. Recharge is water in the profile minus that of the first day
    after harvest, over the same depths. A table of one day's knowledge: no later day enters a row, but
    for ``usual_seeding_mm``, which is of the field's other seedings.
    """
    spans = _spans(season)
    rain = _rain(spans, rain_day)
    soil = _soil(spans, working_window)
    water = _water(spans, profile_water_day)
    keys = pl.concat(frame.select(*SPAN, "harvested", "day") for frame in (rain, soil, water))
    if keys.is_empty():
        return generated.empty(TABLE)
    on = [*SPAN, "harvested", "day"]
    rows = keys.unique(maintain_order=True)
    for frame in (rain, soil, water):
        rows = rows.join(frame, on=on, how="left")
    rows = rows.join(_usual(season, profile_water_day), on=[*SPAN, "depths"], how="left")
    rows = rows.with_columns(pl.col("usual_seasons").fill_null(0))
    rows = rows.with_columns(
        pl.when(pl.col("usual_seasons") >= LEAST_SEEDINGS).then(pl.col("usual_seeding_mm"))
    )
    return generated.conform(_with_reason(rows).select(TABLE.names), TABLE).sort(TABLE.key)


def _spans(season: pl.DataFrame) -> pl.DataFrame:
    """Each harvest with the seeding after it; without one the span is open."""
    return (
        season.sort("field", "seeded")
        .select(*SPAN, "harvested", until=pl.col("seeded").shift(-1).over("field"))
        .drop_nulls("harvested")
        .with_columns(
            until=pl.min_horizontal("until", pl.col("harvested").dt.offset_by(f"{LONGEST_D}d"))
        )
    )


def _within(spans: pl.DataFrame, days: pl.DataFrame) -> pl.DataFrame:
    inside = (pl.col("day") > pl.col("harvested")) & (pl.col("day") <= pl.col("until"))
    return days.join(spans, on="field").filter(inside).sort(*SPAN, "day")


def _rain(spans: pl.DataFrame, rain_day: pl.DataFrame) -> pl.DataFrame:
    by = [*SPAN, "station"]
    found = _within(
        spans,
        rain_day.select(
            "field",
            "strip",
            "station",
            "day",
            "rain_mm",
            "normal_recorded_mm",
            "rain_coverage",
        ).drop_nulls("field"),
    )
    since = (pl.col("day") - pl.col("harvested")).dt.total_days()
    return (
        found.with_columns(
            pl.col("rain_mm").fill_null(0).cum_sum().over(by),
            pl.col("normal_recorded_mm").fill_null(0).cum_sum().over(by),
            (pl.col("rain_coverage").fill_null(0).cum_sum().over(by) / since).clip(0, 1),
            _no_normal=pl.col("normal_recorded_mm").is_null().all().over(by),
        )
        .filter(pl.col("rain_coverage") > 0)
        .sort("rain_coverage", "strip", descending=[True, True], nulls_last=True)
        .unique([*SPAN, "day"], keep="first", maintain_order=True)
        .with_columns(normal_recorded_mm=pl.when(~pl.col("_no_normal")).then("normal_recorded_mm"))
        .select(
            *SPAN,
            "harvested",
            "day",
            "rain_mm",
            "normal_recorded_mm",
            "rain_coverage",
            departure_mm=pl.col("rain_mm") - pl.col("normal_recorded_mm"),
        )
    )


def _soil(spans: pl.DataFrame, working_window: pl.DataFrame) -> pl.DataFrame:
    check = working_window.filter(pl.col("strip") == "check").select(
        "field", "day", "state", "available_water_share", "working_depth_cm"
    )
    week = check.select(
        "field",
        pl.col("day").dt.offset_by("7d"),
        change_week=pl.col("available_water_share"),
    )
    known = pl.col("state").is_not_null()
    return (
        _within(spans, check.join(week, on=["field", "day"], how="left"))
        .with_columns(
            change_week=pl.col("available_water_share") - pl.col("change_week"),
            friable_d=(pl.col("state") == "friable").fill_null(False).cum_sum().over(SPAN),
            judged_d=known.cum_sum().over(SPAN),
        )
        .drop("until")
    )


def _water(spans: pl.DataFrame, profile_water_day: pl.DataFrame) -> pl.DataFrame:
    """Water of both strips by day, and what it gained since the first day near the harvest."""
    known = profile_water_day.drop_nulls("water_mm")
    by_strip = [
        known.filter(pl.col("strip") == strip).select(
            "field", "day", "depths", pl.col("water_mm").alias(f"water_{strip}_mm")
        )
        for strip in ("treated", "check")
    ]
    found = _within(spans, by_strip[0].join(by_strip[1], on=["field", "day", "depths"]))
    # Depths are the same from one harvest to the next; were they not, a gain would be none.
    first = found.group_by(SPAN, maintain_order=True).agg(
        recharge_from_day=pl.col("day").first(),
        _depths=pl.col("depths").first(),
        _treated=pl.col("water_treated_mm").first(),
        _check=pl.col("water_check_mm").first(),
    )
    near = pl.col("recharge_from_day") <= pl.col("harvested").dt.offset_by(f"{NEAR_D}d")
    same = near & (pl.col("depths") == pl.col("_depths"))
    return (
        found.join(first, on=SPAN)
        .with_columns(
            recharge_treated_mm=pl.when(same).then(pl.col("water_treated_mm") - pl.col("_treated")),
            recharge_check_mm=pl.when(same).then(pl.col("water_check_mm") - pl.col("_check")),
        )
        .with_columns(
            recharge_gain_mm=pl.col("recharge_treated_mm") - pl.col("recharge_check_mm"),
        )
        .drop("_depths", "_treated", "_check", "until")
    )


def _usual(season: pl.DataFrame, profile_water_day: pl.DataFrame) -> pl.DataFrame:
    """Mean water of the check strip at the other seedings, for the span before each and after the last.

    A span is named by the season before it, so its own seeding is that of the next season.
    """
    seasons = season.sort("field", "seeded").with_columns(
        before=pl.col("season").shift(1).over("field")
    )
    near = calendar_day.each_day(
        seasons.select("field", "seeded", "before", "season"),
        pl.col("seeded").dt.offset_by(f"-{NEAR_D}d"),
        pl.col("seeded"),
    )
    check = profile_water_day.filter(pl.col("strip") == "check").drop_nulls("water_mm")
    at = (
        near.join(check.select("field", "day", "depths", "water_mm"), on=["field", "day"])
        .sort("field", "day")
        .unique(["field", "seeded"], keep="last", maintain_order=True)
        .select("field", "seeded", "before", "depths", "water_mm")
    )
    spans = season.select(*SPAN)
    return (
        spans.join(at, on="field")
        .filter(pl.col("before").is_null() | (pl.col("before") != pl.col("season")))
        .group_by(*SPAN, "depths")
        .agg(usual_seeding_mm=pl.col("water_mm").mean(), usual_seasons=pl.len().cast(pl.Int64))
    )


def _with_reason(rows: pl.DataFrame) -> pl.DataFrame:
    parts = {
        "no rain was recorded since the harvest": pl.col("rain_mm").is_not_null(),
        "the state of the soil at working depth is not known": pl.col("state").is_not_null(),
        "water in the profile of both strips is not known since the harvest": pl.col(
            "recharge_gain_mm"
        ).is_not_null(),
    }
    short = pl.col("rain_coverage") < 0.95
    return rows.with_columns(
        caution=pl.lit(WORKING),
        coverage=pl.mean_horizontal(known.cast(pl.Float64) for known in parts.values()),
        partial=~pl.all_horizontal(*parts.values()) | short.fill_null(False),
        reason=joined(
            *(pl.when(~known).then(pl.lit(words)) for words, known in parts.items()),
            pl.when(short).then(pl.lit("rain was not recorded on all days")),
        ),
    )
