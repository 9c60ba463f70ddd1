"""The normals of the calendar months."""

from schemas.shared_columns import MONTH, PARTIAL, REASON
from schemas.table import Table, Tier, count, coverage, number, text

TABLE = Table(
    "normal_month",
    Tier.DERIVED,
    "the normal of one calendar month, with the years behind it",
    (
        MONTH,
        number("rain_mm", "mm", "normal rain of the month", 0, 3000),
        count("rain_years", "years with a complete month of rain behind the normal"),
        number("air_temp_mean_c", "degC", "normal mean air temperature of the month", -90, 60),
        count("air_temp_mean_years", "years behind the normal mean temperature"),
        number("air_temp_max_c", "degC", "normal daily highest air temperature", -90, 60),
        count("air_temp_max_years", "years behind the normal daily highest temperature"),
        number("air_temp_min_c", "degC", "normal daily lowest air temperature", -90, 60),
        count("air_temp_min_years", "years behind the normal daily lowest temperature"),
        count("from_year", "first year of the period", low=1800, high=2200),
        count("to_year", "last year of the period", low=1800, high=2200),
        coverage(
            "smallest share of the period's years behind a value; null where the table given does not say"
        ),
        text("origin", "where it comes from", one_of=("record", "given")),
        text("station", "station of the record"),
        PARTIAL,
        REASON,
    ),
)
