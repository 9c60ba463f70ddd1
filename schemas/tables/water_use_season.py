"""The season's water balance, water use and water use efficiency of a strip."""

from schemas.table import Table, Tier, count, day, number, partial, reason, share, text

TABLE = Table(
    "water_use_season",
    Tier.DERIVED,
    "the water balance of one season in one strip, over the same days in both strips",
    (
        text("field", "field", key=True),
        count("season", "year of the harvest", low=1900, high=2200, key=True),
        text("strip", "side of the trial", key=True, one_of=("treated", "check")),
        text("crop", "crop of the season"),
        day("from_day", "first day with soil water from seeding on"),
        day("to_day", "last day with soil water up to harvest"),
        count("days", "days of the balance"),
        count("days_season", "days from seeding to harvest; null while the crop stands"),
        text("depths", "depths of the sensors behind the storage, in cm"),
        number("soil_depth_cm", "cm", "bottom of the deepest layer", 0, 2000),
        number("rain_mm", "mm", "rain of those days, of the days that were recorded", 0, 20000),
        share("rain_coverage", "share of those days with a rain record"),
        number("storage_start_mm", "mm", "water in the profile at the start", 0, 20000),
        number("storage_end_mm", "mm", "water in the profile at the end", 0, 20000),
        number(
            "storage_used_mm",
            "mm",
            "start minus end; negative where the profile filled",
            -20000,
            20000,
        ),
        number("storage_used_se_mm", "mm", "standard error of it", 0, 20000),
        number(
            "drainage_mm", "mm", "water lost below the deepest sensor's layer, estimate", 0, 20000
        ),
        number("drainage_low_mm", "mm", "the least that it can have been", 0, 20000),
        number("drainage_high_mm", "mm", "the most that it can have been", 0, 20000),
        count("drainage_d", "days on which the deepest layer drained or nothing is known of it"),
        text(
            "drainage_from",
            "how the drainage was made",
            one_of=(
                "deepest layer below its full point",
                "water balance of draining days",
                "middle of the bounds",
                "unknown",
            ),
        ),
        number(
            "water_use_mm",
            "mm",
            "rain plus storage used minus drainage; run-off was not measured and is in it",
            -20000,
            20000,
        ),
        number("water_use_se_mm", "mm", "standard error from storage and drainage", 0, 20000),
        number("crop_et_mm", "mm", "what a crop without lack of water would have used", 0, 20000),
        number("yield_kg_ha", "kg/ha", "yield of the strip at market moisture", 0, 60000),
        number("yield_se_kg_ha", "kg/ha", "its standard error", 0, 60000),
        number(
            "water_use_efficiency_kg_ha_mm",
            "kg/hectare/mm",
            "yield per mm of water use",
            0,
            1000,
        ),
        number(
            "water_use_efficiency_low_kg_ha_mm",
            "kg/hectare/mm",
            "lower end of its 95 % interval",
            0,
            10000,
        ),
        number(
            "water_use_efficiency_high_kg_ha_mm",
            "kg/hectare/mm",
            "upper end of its 95 % interval",
            0,
            1e6,
        ),
        number(
            "efficiency_change_pct",
            "percent",
            "efficiency of treated over check; the same in the rows of both strips",
            -100,
            1e6,
        ),
        number("efficiency_change_low_pct", "percent", "lower end of its 95 % interval", -100, 1e6),
        number(
            "efficiency_change_high_pct", "percent", "upper end of its 95 % interval", -100, 1e9
        ),
        share("coverage", "share of the season's days that the balance holds"),
        partial(),
        reason(),
    ),
)
