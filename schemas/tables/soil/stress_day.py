"""Days on which the crop in a strip lacked water."""

from schemas.shared_columns import DAY, FIELD, STRIP, completeness
from schemas.table import Compared, Table, Tier, count, flag, share

TABLE = Table(
    "stress_day",
    Tier.DERIVED,
    "one strip on one day of a season: whether its profile was below the stress level, and how often so far",
    (
        FIELD,
        STRIP,
        DAY,
        count("season", "harvest year of the standing crop", low=1900, high=2200, required=True),
        share(
            "stress_level_share",
            "share of the available capacity below which the crop lacks water",
        ),
        flag(
            "stress",
            "whether the profile was below that level while the crop had a demand; null if it is not known",
        ),
        count("week_stress_d", "days of stress in the seven days up to the day", required=True),
        count("week_known_d", "of those seven days, those whose profile is known", required=True),
        count("season_stress_d", "days of stress since seeding", required=True),
        count("season_known_d", "days since seeding whose profile is known", required=True),
        *completeness("known days as a share of those since seeding"),
    ),
    compared=Compared.ALONE,
)
