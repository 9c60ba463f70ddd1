"""Monthly normals given by the user."""

from schemas.shared_columns import MONTH
from schemas.table import Table, Tier, count, number

TABLE = Table(
    "normal_given",
    Tier.SETUP,
    "one calendar month of a table of normals given by the user",
    (
        MONTH,
        number("rain_mm", "mm", "normal rain of the month", 0, 3000),
        number("air_temp_mean_c", "degC", "normal mean air temperature of the month", -70, 50),
        count("years", "years behind the value, where the table says so"),
    ),
)
