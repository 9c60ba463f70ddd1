"""A week's weather at a station."""

from schemas.shared_columns import (
    AIR_TEMP_MAX,
    AIR_TEMP_MIN,
    BY_HAND,
    STATION,
    STRIP_STOOD_IN,
    WEEK_STARTS,
    completeness,
)
from schemas.table import Table, Tier, count, number, text

TABLE = Table(
    "weather_week",
    Tier.DERIVED,
    "one station in one week, Monday to Sunday; sums are of the days that were recorded",
    (
        STATION,
        WEEK_STARTS,
        text("field", "field that the station stood in; null where that changed within the week"),
        STRIP_STOOD_IN,
        count("season", "harvest year of the crop on the week's last day with one", low=1900),
        number("rain_mm", "mm", "rain that was recorded", 0, 5000),
        number("normal_recorded_mm", "mm", "normal rain of what was recorded", 0, 5000),
        number("departure_mm", "mm", "rain minus the normal of what was recorded", -5000, 5000),
        AIR_TEMP_MAX,
        AIR_TEMP_MIN,
        number("reference_et_mm", "mm", "reference evapotranspiration, of days with it", 0, 200),
        number("crop_et_mm", "mm", "crop evapotranspiration without lack of water", 0, 200),
        count("et_days", "days behind the reference evapotranspiration", high=7),
        count("crop_et_days", "days behind the crop evapotranspiration", high=7),
        text(
            "crop_et_reason",
            "why days lack crop evapotranspiration, the most frequent reason; null where none does",
        ),
        number("gdd_clipped_c_d", "delta_degC*day", "growing degree days, in a season", 0, 500),
        number("corn_heat_units", "1", "corn heat units, in a season", 0, 500),
        count("heat_days", "days behind the heat sums", high=7),
        count("days_whole", "days with a whole rain record", high=7),
        count("doubtful_d", "days with rain that is kept but hard to believe", high=7),
        BY_HAND,
        *completeness("share of the week with a rain record, bridged days included"),
    ),
)
