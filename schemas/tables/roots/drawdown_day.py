"""Water taken up from a layer in a day."""

from schemas.shared_columns import DAY, DEPTH, FIELD, PROBE, STRIP, UPTAKE_METHODS, completeness
from schemas.table import Compared, Table, Tier, count, flag, number, text

TABLE = Table(
    "drawdown_day",
    Tier.DERIVED,
    "the water taken up from the soil layer of one sensor on one day",
    (
        FIELD,
        STRIP,
        PROBE,
        DEPTH,
        DAY,
        count(
            "season",
            "harvest year of the crop that stood; null between harvest and seeding",
            low=1900,
            high=2200,
        ),
        number("layer_thickness_cm", "cm", "thickness of the layer", 0, 2000),
        number(
            "fall_mm",
            "mm",
            "fall in the layer's storage since the day before; negative where it rose",
            -1000,
            1000,
        ),
        number(
            "uptake_mm",
            "mm",
            "water taken up by the crop; noise may make a single day slightly negative, so that sums stay true",
            -100,
            100,
        ),
        number(
            "evaporation_mm",
            "mm",
            "evaporation from the soil, taken off the fall of the layer at the surface; null elsewhere",
            0,
            60,
        ),
        number("uptake_error_mm", "mm", "standard error of the uptake", 0, 100),
        text("method", "how the uptake was made", one_of=UPTAKE_METHODS),
        number("rain_mm", "mm", "rain of the strip that day", 0, 2000),
        flag(
            "both_strips",
            "true where treated and check both have an uptake at this depth on this day",
            required=True,
        ),
        *completeness("share of the day with water content"),
    ),
    compared=Compared.ALONE,
)
