"""Water that a strip's profile gained from one crop's harvest to the next crop's seeding."""

from schemas.shared_columns import CROP, FIELD, SEASON, STRIP, completeness
from schemas.table import Compared, Table, Tier, coverage, day, number, text, unlimited_share

TABLE = Table(
    "recharge_winter",
    Tier.DERIVED,
    "one strip from the harvest before a season to its seeding, over the same days in both strips",
    (
        FIELD,
        SEASON,
        STRIP,
        CROP,
        day("harvested", "harvest of the crop before"),
        day("seeded", "seeding of the season"),
        day("from_day", "first day after that harvest with water in the profile of both strips"),
        day("to_day", "day nearest to seeding with water in the profile of both strips"),
        text("depths", "depths of the sensors behind the water, in cm"),
        number("soil_depth_cm", "cm", "bottom of the deepest of their layers", 0, 2000),
        number("water_start_mm", "mm", "water in the profile at the start", 0, 10000),
        number("water_end_mm", "mm", "water in the profile at the end", 0, 10000),
        number("recharge_mm", "mm", "end minus start; negative where the profile lost water"),
        number("rain_mm", "mm", "rain and snow of those days, of the days that were recorded", 0),
        coverage("share of those days with a record of rain and snow", "rain_coverage"),
        number("irrigation_mm", "mm", "irrigation of those days; null where it is not known", 0),
        unlimited_share(
            "recharge_share",
            (
                "recharge as a share of rain, snow and irrigation; null where snow may be missing "
                "from them"
            ),
        ),
        number(
            "recharge_gain_mm",
            "mm",
            "recharge of the treated strip minus that of the check; the same in both rows",
        ),
        *completeness("share of the days from harvest to seeding that the recharge is of"),
    ),
    compared=Compared.ALONE,
)
