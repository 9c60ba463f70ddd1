"""response_cause: each response beside the weather, the soil and the work that may explain it."""

import polars as pl

from schemas import generated
from schemas.tables.trial.response_cause import CAUSES, TABLE
from transforms.methods import calendar_day
from transforms.methods.strips import in_strip
from transforms.methods.texts import joined
from transforms.trial.methods.below_ground import SITE_YEAR, capture_gains, uptake_gains

# Of soil water what is told of the days about seeding: it is a large table.
READS = {
    "soil_water_day": (
        *("probe", "depth_cm", "day", "field", "strip", "layer_top_cm", "layer_bottom_cm"),
        *("storage_mm", "available_water_share", "quality"),
    ),
}
# About a third of the years fall on each side where seasonal rain varies by a third from year to
# year (terciles, as climate services use them); the round limits are common practice, no source.
DRY_PCT, WET_PCT = 85.0, 115.0
FORTNIGHT = 14


def derive(
    *,
    response: pl.DataFrame,
    season: pl.DataFrame,
    rain_day: pl.DataFrame,
    irrigation_day: pl.DataFrame,
    soil_water_day: pl.DataFrame,
    drawdown_season: pl.DataFrame,
    capture_season: pl.DataFrame,
    root_lead: pl.DataFrame,
    water_use_season: pl.DataFrame,
    operation_fuel: pl.DataFrame,
    vegetation_response: pl.DataFrame,
) -> pl.DataFrame:
    """Responses after an operation, joined with their possible causes.

    Season rain as of the last day that the season stood, in percent of the normal of the same
    days; null for an irrigated season, which its rain does not make dry or wet. Water at seeding:
    the last day before it on which the probes have it, else the first after it, within two weeks
    (probes are lifted for seeding); the gain is over the depths and days that both strips have.
    Uptake in mm over the days on which both strips have data. Of a season's vegetation indexes that of
    the source with the most days counts, by name if two have as many. A cause that is not known is null and
    named in the reason.
    """
    base = response.filter(
        pl.col("operation_day").is_not_null()
        & pl.col("response_kg_ha").is_not_null()
        & ~pl.col("check_worked").fill_null(False)
    ).select(
        *SITE_YEAR,
        "crop",
        "practice",
        "operation_day",
        "years_since",
        "response_kg_ha",
        "response_pct",
        shared_se_pct=pl.when(pl.col("check_kg_ha") > 0).then(
            100 * pl.col("response_se_kg_ha") / pl.col("check_kg_ha")
        ),
    )
    work = (
        operation_fuel.filter(pl.col("strip") == "treated")
        .select(
            "field",
            "practice",
            operation_day="day",
            operation_depth_cm="depth_cm",
            operation_water_share="available_water_share",
        )
        .unique(["field", "practice", "operation_day"], keep="first", maintain_order=True)
    )
    rows = (
        base.join(work, on=["field", "practice", "operation_day"], how="left")
        .join(_rain(rain_day), on=SITE_YEAR, how="left")
        .join(_irrigated(irrigation_day), on=SITE_YEAR, how="left")
        .with_columns(
            irrigated=pl.col("irrigated").fill_null(False),
            season_rain_of_normal_pct=pl.when(pl.col("irrigated").is_null()).then(
                "season_rain_of_normal_pct"
            ),
        )
        .join(_at_seeding(season, soil_water_day), on=SITE_YEAR, how="left")
        .join(
            capture_gains(capture_season).select(*SITE_YEAR, "capture_gain"),
            on=SITE_YEAR,
            how="left",
        )
        .join(_lead(root_lead), on=SITE_YEAR, how="left")
        .join(_water_use(water_use_season), on=SITE_YEAR, how="left")
        .join(_vegetation(vegetation_response), on=SITE_YEAR, how="left")
    )
    uptake = uptake_gains(rows, drawdown_season).drop("deep_uptake_error_mm")
    rows = rows.join(uptake, on=SITE_YEAR, how="left")
    wet = pl.col("season_rain_of_normal_pct")
    rows = rows.with_columns(
        season_rain=pl.when(wet < DRY_PCT)
        .then(pl.lit("dry"))
        .when(wet > WET_PCT)
        .then(pl.lit("wet"))
        .when(wet.is_not_null())
        .then(pl.lit("normal"))
    )
    missing = joined(
        *(pl.when(pl.col(c.name).is_null()).then(pl.lit(c.name)) for c in CAUSES), separator=", "
    )
    rows = rows.with_columns(
        coverage=pl.mean_horizontal(pl.col(c.name).is_not_null().cast(pl.Float64) for c in CAUSES),
        reason=joined(
            pl.format("not known: {}", missing),
            pl.when("irrigated").then(pl.lit("the season was irrigated")),
        ),
    ).with_columns(partial=pl.col("coverage") < 1)
    return generated.conform(rows.select(TABLE.names), TABLE).sort(TABLE.key)


def _rain(rain_day: pl.DataFrame) -> pl.DataFrame:
    """The season's rain against normal on its last day, mean over the field's stations."""
    return (
        rain_day.filter(pl.col("season").is_not_null() & pl.col("field").is_not_null())
        .sort("station", "day")
        .group_by(*SITE_YEAR, "station", maintain_order=True)
        .agg(pl.col("season_to_date_of_normal_pct").last())
        .group_by(SITE_YEAR)
        .agg(season_rain_of_normal_pct=pl.col("season_to_date_of_normal_pct").mean())
    )


def _vegetation(vegetation_response: pl.DataFrame) -> pl.DataFrame:
    """What the vegetation index of the source with the most days differed by."""
    return (
        vegetation_response.sort("days_seen", "source", descending=[True, False])
        .unique(SITE_YEAR, keep="first", maintain_order=True)
        .select(
            *SITE_YEAR,
            "green_up_later_d",
            "senescence_later_d",
            vegetation_peak_gain="peak_difference",
            vegetation_area_gain_d="area_difference_d",
        )
    )


def _irrigated(irrigation_day: pl.DataFrame) -> pl.DataFrame:
    """The seasons in which a strip was irrigated, or may have been."""
    put_on = (pl.col("irrigation_mm") > 0).fill_null(True) & pl.col("season").is_not_null()
    return irrigation_day.filter(put_on).select(*SITE_YEAR, irrigated=True).unique()


def _at_seeding(season: pl.DataFrame, soil_water_day: pl.DataFrame) -> pl.DataFrame:
    """Profile water at seeding: by depth, the day nearest before it, else after, in two weeks."""
    seeded = pl.col("seeded")
    about_seeding = calendar_day.each_day(
        season.select(*SITE_YEAR, "seeded"),
        seeded.dt.offset_by(f"-{FORTNIGHT - 1}d"),
        seeded.dt.offset_by(f"{FORTNIGHT - 1}d"),
    )
    layers = (
        soil_water_day.filter(
            ~pl.col("quality").is_in(["bad", "missing"]) & pl.col("storage_mm").is_not_null()
        )
        .select(
            "field",
            "strip",
            "depth_cm",
            "day",
            "storage_mm",
            "available_water_share",
            thick=pl.col("layer_bottom_cm") - pl.col("layer_top_cm"),
        )
        .join(about_seeding, on=["field", "day"])
    )
    check = layers.filter(pl.col("strip") == "check")
    both = layers.filter(pl.col("strip") == "treated").join(
        check, on=[*SITE_YEAR, "depth_cm", "day", "seeded"], suffix="_check"
    )
    gain = (
        _nearest(both)
        .group_by(SITE_YEAR)
        .agg(seeding_water_gain_mm=(pl.col("storage_mm") - pl.col("storage_mm_check")).sum())
    )
    full = (
        _nearest(check.filter(pl.col("available_water_share").is_not_null()))
        .group_by(SITE_YEAR)
        .agg(
            seeding_water_share=(pl.col("available_water_share") * pl.col("thick")).sum()
            / pl.col("thick").sum()
        )
    )
    return full.join(gain, on=SITE_YEAR, how="full", coalesce=True)


def _nearest(layers: pl.DataFrame) -> pl.DataFrame:
    """Of each depth the day nearest before seeding, else the first after it."""
    after = pl.col("day") > pl.col("seeded")
    distance = (pl.col("day") - pl.col("seeded")).dt.total_days().abs()
    return layers.sort("depth_cm", after, distance).unique(
        [*SITE_YEAR, "depth_cm"], keep="first", maintain_order=True
    )


def _lead(root_lead: pl.DataFrame) -> pl.DataFrame:
    """Mean lead of the roots over the depths that both strips' roots are known to have reached."""
    return (
        root_lead.filter((pl.col("known") == "both") & pl.col("lead_d").is_not_null())
        .group_by(SITE_YEAR)
        .agg(root_lead_d=pl.col("lead_d").mean())
    )


def _water_use(water_use_season: pl.DataFrame) -> pl.DataFrame:
    """Water use, treated less check, and the change of its efficiency."""
    use = pl.col("water_use_mm")
    return water_use_season.group_by(SITE_YEAR).agg(
        water_use_gain_mm=in_strip(use, "treated").mean() - in_strip(use, "check").mean(),
        efficiency_change_pct=pl.col("efficiency_change_pct").max(),
    )
