"""Days on which the soil is right for measurements by hand."""

from schemas.shared_columns import DAY, FIELD, completeness
from schemas.table import Compared, Table, Tier, flag, number, unlimited_share

TABLE = Table(
    "measuring_day",
    Tier.DERIVED,
    "one day of a field: whether its soil is right for the penetrometer and for infiltration",
    (
        FIELD,
        DAY,
        unlimited_share(
            "available_water_share",
            "last known share of the available water in the week up to the day, of the drier strip",
        ),
        flag("moist", "moist enough for the penetrometer; null if no probe says so"),
        number("rain_two_days_mm", "mm", "rain of the day and the day before", 0),
        flag("not_wet", "not wet from rain, so infiltration may be measured; null if not known"),
        *completeness("days of the two whose rain is known, as a share"),
    ),
    compared=Compared.ALONE,
)
