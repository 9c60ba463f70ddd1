"""What has happened in a field since its harvest: rain, recharge, and days dry enough to work deep."""

from schemas.shared_columns import CAUTION, DAY, FIELD, SOIL_STATES, WORKING_DEPTH, completeness
from schemas.table import Compared, Table, Tier, count, coverage, day, number, share, text

TABLE = Table(
    "between_crops_day",
    Tier.DERIVED,
    "one field on one day between a harvest and the next seeding: sums since that harvest",
    (
        FIELD,
        DAY,
        count("season", "harvest year of the crop that came off", low=1900, required=True),
        day("harvested", "day of that harvest", required=True),
        number("rain_mm", "mm", "rain and snow recorded since, at the field's best gauge", 0),
        number("normal_recorded_mm", "mm", "normal of what was recorded since", 0),
        number("departure_mm", "mm", "rain since minus that normal"),
        coverage("share of the days since with a rain record", "rain_coverage"),
        WORKING_DEPTH,
        text("state", "state of the check strip's soil at working depth", one_of=SOIL_STATES),
        share(
            "available_water_share",
            "where the check strip's soil at working depth stands between its limits",
            low=-10,
            high=10,
        ),
        share("change_week", "that share minus the one a week before", low=-20, high=20),
        count("friable_d", "days since on which the soil at working depth was friable"),
        count("judged_d", "days since on which its state is known"),
        number("recharge_treated_mm", "mm", "water gained in the treated strip's profile since"),
        number("recharge_check_mm", "mm", "water gained in the check strip's profile since"),
        number("recharge_gain_mm", "mm", "treated minus check"),
        day("recharge_from_day", "first day after the harvest with water in the profile"),
        number("water_treated_mm", "mm", "water in the treated strip's profile", 0, 10000),
        number("water_check_mm", "mm", "water in the check strip's profile", 0, 10000),
        number(
            "usual_seeding_mm",
            "mm",
            "mean water in the check strip's profile at the field's other seedings, same depths",
            0,
            10000,
        ),
        count("usual_seasons", "seedings behind that mean; fewer than two give none"),
        CAUTION,
        *completeness("share known of rain, state of the soil, and recharge of both strips"),
    ),
    compared=Compared.ALONE,
)
