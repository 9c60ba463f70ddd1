"""The season's water balance, water use and water use efficiency of a strip."""

from schemas.shared_columns import CROP, FIELD, SEASON, STRIP, completeness, interval
from schemas.table import Compared, Table, Tier, count, coverage, day, number, text

TABLE = Table(
    "water_use_season",
    Tier.DERIVED,
    "the water balance of one season in one strip, over the same days in both strips",
    (
        FIELD,
        SEASON,
        STRIP,
        CROP,
        day("from_day", "first day with soil water from seeding on"),
        day("to_day", "last day with soil water up to harvest"),
        count("days", "days of the balance"),
        count("storage_d", "days of the balance with water in every layer known"),
        count("days_season", "days from seeding to harvest; null while the crop stands"),
        text("depths", "depths of the sensors behind the storage, in cm"),
        number("soil_depth_cm", "cm", "bottom of the deepest layer", 0),
        number("rain_mm", "mm", "rain of those days, of the days that were recorded", 0),
        coverage("share of those days with a rain record", "rain_coverage"),
        number(
            "irrigation_mm", "mm", "irrigation of those days; 0 where there is none on record", 0
        ),
        coverage("share of those days of which irrigation is known", "irrigation_coverage"),
        number("storage_start_mm", "mm", "water in the profile at the start", 0),
        number("storage_end_mm", "mm", "water in the profile at the end", 0),
        number("storage_used_mm", "mm", "start minus end; negative where the profile filled"),
        number("storage_used_se_mm", "mm", "standard error of it", 0),
        number("drainage_mm", "mm", "water lost below the deepest sensor's layer, estimate", 0),
        number(
            "drainage_low_mm",
            "mm",
            "the least that it can have been; below zero if water may have risen into the profile",
        ),
        number("drainage_high_mm", "mm", "the most that it can have been", 0),
        count("drainage_d", "days on which the deepest layer drained or nothing is known of it"),
        text(
            "drainage_from",
            "how the drainage was made",
            one_of=(
                "deepest layer below its drained upper limit",
                "deepest layer never seen to drain",
                "water balance of draining days",
                "middle of the bounds",
                "unknown",
            ),
        ),
        number(
            "water_use_mm",
            "mm",
            "rain plus irrigation plus storage used minus drainage; run-off was not measured and is in it",
        ),
        number("water_use_se_mm", "mm", "standard error from storage and drainage", 0),
        number("crop_et_mm", "mm", "what a crop without lack of water would have used", 0),
        number("yield_kg_ha", "kg/ha", "yield of the strip at market moisture", 0),
        number("yield_se_kg_ha", "kg/ha", "its standard error", 0),
        number("water_use_efficiency_kg_ha_mm", "kg/hectare/mm", "yield per mm of water use", 0),
        *interval("water_use_efficiency", "kg/hectare/mm", low=0),
        number(
            "efficiency_change_pct",
            "percent",
            "efficiency of treated over check; the same in the rows of both strips",
            -100,
        ),
        *interval("efficiency_change", "percent", low=-100),
        *completeness("share of the season's days with water in every layer known"),
    ),
    compared=Compared.ALONE,
)
